package trace

import (
	"encoding/binary"
	"math"
	"math/bits"
)

// patchy marks a column that is unknown in places.
const patchy = 4

// predictor expects a column's next number from those before.
type predictor struct {
	how        byte
	last, prev int64
	slow       int64
}

const predictions = 4

func (p *predictor) expect() int64 {
	switch p.how {
	case 0:
		return 0
	case 1:
		return p.last
	case 2:
		return (p.last + p.prev) >> 1
	}
	return (p.slow + 8) >> 4
}

func (p *predictor) follow(x int64) {
	p.prev, p.last = p.last, x
	p.slow += (x<<4 - p.slow) >> 2
}

// column is one packed sequence of numbers.
type column struct {
	how   byte
	first int64
	step  int64   // 0: all numbers are the first
	rest  []int64 // from the second known number on, less the first, in steps
	known []bool  // nil: all are
}

// newColumn takes the numbers that are known, at least one.
func newColumn(numbers []int64, known []bool) column {
	c := column{first: numbers[0], known: known}
	if c.step = resolution(numbers); c.step != 0 {
		c.rest = make([]int64, len(numbers)-1)
		for i, x := range numbers[1:] {
			c.rest[i] = (x - c.first) / c.step
		}
		c.how = cheapest(c.rest)
	}
	if known != nil {
		c.how |= patchy
	}
	return c
}

// resolution is the greatest step that all numbers are whole steps apart by, 0
// for equal ones.
func resolution(numbers []int64) int64 {
	var step uint64
	for _, x := range numbers[1:] {
		d := x - numbers[0]
		if d < 0 {
			d = -d
		}
		if step = gcd(step, uint64(d)); step == 1 {
			break
		}
	}
	if step > math.MaxInt64 {
		return 1
	}
	return int64(step)
}

func gcd(a, b uint64) uint64 {
	for b != 0 {
		if a != 0 && b%a == 0 {
			return a
		}
		a, b = b, a%b
	}
	return a
}

// cheapest finds the prediction with the least to add to it.
func cheapest(xs []int64) byte {
	best, least := byte(0), math.MaxInt
	for how := range byte(predictions) {
		p, cost := predictor{how: how}, 0
		for _, x := range xs {
			cost += bits.Len64(zigzag(x - p.expect()))
			p.follow(x)
		}
		if cost < least {
			best, least = how, cost
		}
	}
	return best
}

func (c *column) appendHead(b []byte) []byte {
	b = append(b, c.how)
	b = binary.AppendVarint(b, c.first)
	return binary.AppendUvarint(b, uint64(c.step))
}

func (c *column) write(w *bitWriter) {
	if c.known != nil {
		writeKnown(w, c.known)
	}
	a, p := newRice(), predictor{how: c.how &^ patchy}
	for _, x := range c.rest {
		a.put(w, x-p.expect())
		p.follow(x)
	}
}

// writeKnown writes the lengths of the stretches, known and unknown in turn.
func writeKnown(w *bitWriter, known []bool) {
	a, before := newRice(), [2]int64{}
	length, state := int64(0), true
	for _, k := range known {
		if k != state {
			a.put(w, length-before[0])
			before[0], before[1] = before[1], length
			length, state = 0, k
		}
		length++
	}
	a.put(w, length-before[0])
}

// parseColumn reads a column's head.
func parseColumn(h *head) column {
	c := column{how: h.byte(), first: h.varint()}
	step := h.uvarint()
	if c.how >= 2*patchy || step > math.MaxInt64 {
		h.bad = true
	}
	c.step = int64(step)
	return c
}

// read fills out with the numbers, and known where the column has holes; it
// reports that they make sense.
func (c *column) read(r *bitReader, out []int64, known []bool) bool {
	n := len(out)
	if c.how&patchy != 0 {
		if n = readKnown(r, known); n == 0 {
			return false
		}
	}
	a, p := newRice(), predictor{how: c.how &^ patchy}
	out[0] = c.first
	for i := 1; i < n; i++ {
		x := int64(0)
		if c.step != 0 {
			x = p.expect() + a.get(r)
			p.follow(x)
		}
		out[i] = c.first + x*c.step
	}
	return !r.over
}

// readKnown returns how many are known, 0 where the lengths make no sense.
func readKnown(r *bitReader, known []bool) (n int) {
	a, before := newRice(), [2]int64{}
	for i, state := 0, true; i < len(known); state = !state {
		length := before[0] + a.get(r)
		if length < 0 || length > int64(len(known)-i) || length == 0 && (i > 0 || !state) || r.over {
			return 0
		}
		before[0], before[1] = before[1], length
		for range length {
			known[i] = state
			i++
		}
		if state {
			n += int(length)
		}
	}
	return n
}
