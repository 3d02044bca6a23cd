package trace

import (
	"encoding/binary"
	"math"
	"slices"
)

// gap says how many readings were lost before a point.
type gap struct {
	at   int // index of the point after it
	lost int64
}

// clock is the regular beat that a block's points keep, as far as they do.
type clock struct {
	period int64 // ns, 0: none
	start  int64 // ms
	phase  int64 // ns beyond start
	gaps   []gap
}

// mostReach bounds the length of a block with a beat, so that its times fit:
// half of 2^63 ns.
const mostReach = 1 << 62

// fitClock finds the beat of times in ms, in order.
func fitClock(at []int64) clock {
	if len(at) < 3 {
		return clock{}
	}
	usual := median(at)
	if usual == 0 {
		return clock{}
	}
	c := clock{gaps: findGaps(at, usual)}
	slope, from := c.line(at)
	c.period = int64(math.Round(slope * 1e6))
	from += 0.5 // times are rounded down
	c.start = at[0] + int64(math.Floor(from))
	c.phase = int64((from - math.Floor(from)) * 1e6)
	last := len(at) - 1
	for _, g := range c.gaps {
		last += int(g.lost)
	}
	if c.period <= 0 || float64(c.period)*float64(last) > mostReach || c.start != bounded(c.start) {
		return clock{}
	}
	return c
}

// median is the usual interval.
func median(at []int64) int64 {
	d := make([]int64, len(at)-1)
	for i := range d {
		d[i] = at[i+1] - at[i]
	}
	slices.Sort(d)
	return d[len(d)/2]
}

func findGaps(at []int64, usual int64) (gaps []gap) {
	for i := 1; i < len(at); i++ {
		if d := at[i] - at[i-1]; d > usual+usual/2+2 {
			if lost := (d+usual/2)/usual - 1; lost > 0 {
				gaps = append(gaps, gap{i, lost})
			}
		}
	}
	return gaps
}

// line is the least-squares line through the times over the beats, in ms from
// the first point.
func (c *clock) line(at []int64) (slope, from float64) {
	var n, sx, sy, sxx, sxy float64
	c.each(len(at), func(i int, g int64) {
		x, y := float64(g), float64(at[i]-at[0])
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
	})
	slope = (n*sxy - sx*sy) / (n*sxx - sx*sx)
	return slope, (sy - slope*sx) / n
}

// each walks the beats of n points.
func (c *clock) each(n int, do func(i int, beat int64)) {
	gaps, beat := c.gaps, int64(0)
	for i := range n {
		if len(gaps) > 0 && gaps[0].at == i {
			beat += gaps[0].lost
			gaps = gaps[1:]
		}
		do(i, beat)
		beat++
	}
}

// expected is when a beat comes, in ms.
func (c *clock) expected(beat int64) int64 { return c.start + (c.phase+beat*c.period)/1e6 }

// split turns times into what they differ from the beat.
func (c *clock) split(at []int64) []int64 {
	out := slices.Clone(at)
	if c.period != 0 {
		c.each(len(at), func(i int, g int64) { out[i] -= c.expected(g) })
	}
	return out
}

// join is the way back, in place.
func (c *clock) join(at []int64) {
	if c.period != 0 {
		c.each(len(at), func(i int, g int64) { at[i] += c.expected(g) })
	}
}

func (c *clock) appendHead(b []byte) []byte {
	b = binary.AppendUvarint(b, uint64(c.period))
	if c.period == 0 {
		return b
	}
	b = binary.AppendVarint(b, c.start)
	b = binary.AppendUvarint(b, uint64(c.phase))
	b = binary.AppendUvarint(b, uint64(len(c.gaps)))
	before := 0
	for _, g := range c.gaps {
		b = binary.AppendUvarint(b, uint64(g.at-before))
		b = binary.AppendUvarint(b, uint64(g.lost))
		before = g.at
	}
	return b
}

// parseClock reads the clock of n points. What makes no sense marks the head
// as bad.
func parseClock(h *head, n int) (c clock) {
	period := h.uvarint()
	if period == 0 {
		return c
	}
	c.start = h.varint()
	phase := h.uvarint()
	count := h.uvarint()
	if period > mostReach || phase >= 1e6 || c.start != bounded(c.start) || count >= uint64(n) {
		h.bad = true
		return c
	}
	c.period, c.phase = int64(period), int64(phase)
	at, beats := 0, uint64(n)
	for range count {
		step, lost := h.uvarint(), h.uvarint()
		if step == 0 || step >= uint64(n-at) || lost == 0 || lost > mostReach {
			h.bad = true
			return c
		}
		at, beats = at+int(step), beats+lost
		c.gaps = append(c.gaps, gap{at, int64(lost)})
		if beats > mostReach {
			h.bad = true
			return c
		}
	}
	if float64(beats)*float64(period) > mostReach {
		h.bad = true
	}
	return c
}

// lastTime bounds times: some ten thousand years around 1970, in ms.
const lastTime = 1 << 48

func bounded(at int64) int64 { return min(max(at, -2*lastTime), 2*lastTime) }
