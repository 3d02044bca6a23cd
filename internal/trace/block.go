package trace

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
)

// MaxPoints bounds a block: a minute at 1 kHz.
const MaxPoints = 1 << 16

// The version bytes.
const (
	version       = 1
	versionRollup = 0x81
)

// Errors of the codec.
var (
	ErrDamaged = errors.New("damaged block")                   // the bytes are not what was written
	ErrOrder   = errors.New("points are not in order of time") // Encode wants them so
	ErrSize    = errors.New("no points, or too many")
	ErrTime    = errors.New("time out of range")
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// table is a block in columns. Its columns hold the known numbers first.
type table struct {
	at   []int64
	cols [8]series // without numbers: never known
}

// series is one value over time: the known numbers, without the unknown.
type series struct {
	numbers []int64
	known   []bool // nil: all are
}

// encode packs a table behind a version byte.
func encode(v byte, t *table) ([]byte, error) {
	if len(t.at) == 0 || len(t.at) > MaxPoints {
		return nil, fmt.Errorf("encode a block of %d points: %w", len(t.at), ErrSize)
	}
	if err := checkTimes(t.at); err != nil {
		return nil, fmt.Errorf("encode a block: %w", err)
	}
	c := fitClock(t.at)
	cols := []column{newColumn(c.split(t.at), nil)}
	var mask byte
	for i, s := range t.cols {
		if len(s.numbers) > 0 {
			mask |= 1 << i
			cols = append(cols, newColumn(s.numbers, s.known))
		}
	}
	b := make([]byte, 0, 64+2*len(t.at)*len(cols))
	b = binary.AppendUvarint(append(b, v), uint64(len(t.at)))
	b = c.appendHead(b)
	b = append(cols[0].appendHead(b), mask)
	for i := range cols[1:] {
		b = cols[i+1].appendHead(b)
	}
	w := newBitWriter(b)
	for i := range cols {
		cols[i].write(&w)
	}
	b = w.bytes()
	return binary.BigEndian.AppendUint32(b, crc32.Checksum(b, castagnoli)), nil
}

func checkTimes(at []int64) error {
	for i, t := range at {
		if t > lastTime || t < -lastTime {
			return ErrTime
		}
		if i > 0 && t < at[i-1] {
			return ErrOrder
		}
	}
	return nil
}

// decode unpacks what encode made. Bytes that are something else give
// ErrDamaged; whatever they are, it takes a few megabytes at most.
func decode(v byte, b []byte) (*table, error) {
	if len(b) < 6 || b[0] != v {
		return nil, fmt.Errorf("%w: no block of version %d", ErrDamaged, v)
	}
	body, sum := b[:len(b)-4], b[len(b)-4:]
	if crc32.Checksum(body, castagnoli) != binary.BigEndian.Uint32(sum) {
		return nil, fmt.Errorf("%w: its checksum is wrong", ErrDamaged)
	}
	return parse(body[1:])
}

// parse reads what stands between version and checksum.
func parse(body []byte) (*table, error) {
	h := head{in: body}
	n := h.uvarint()
	if h.bad || n == 0 || n > MaxPoints {
		return nil, fmt.Errorf("%w: %d points", ErrDamaged, n)
	}
	c := parseClock(&h, int(n))
	cols := []column{parseColumn(&h)}
	mask := h.byte()
	for i := range 8 {
		if mask&(1<<i) != 0 {
			cols = append(cols, parseColumn(&h))
		}
	}
	if h.bad || cols[0].how&patchy != 0 {
		return nil, fmt.Errorf("%w: its head makes no sense", ErrDamaged)
	}
	return parseBits(int(n), c, cols, mask, h.in)
}

func parseBits(n int, c clock, cols []column, mask byte, in []byte) (*table, error) {
	r := &bitReader{in: in}
	t := &table{at: make([]int64, n)}
	fine := cols[0].read(r, t.at, nil)
	for i := 0; i < 8 && fine; i++ {
		if mask&(1<<i) == 0 {
			continue
		}
		cols = cols[1:]
		s := &t.cols[i]
		s.numbers = make([]int64, n)
		if cols[0].how&patchy != 0 {
			s.known = make([]bool, n)
		}
		fine = cols[0].read(r, s.numbers, s.known)
	}
	c.join(t.at)
	if !fine || checkTimes(t.at) != nil {
		return nil, fmt.Errorf("%w: its numbers make no sense", ErrDamaged)
	}
	return t, nil
}

// head reads what stands before the bits. Beyond the end it gives zeroes and
// turns bad.
type head struct {
	in  []byte
	bad bool
}

func (h *head) byte() byte {
	if len(h.in) == 0 {
		h.bad = true
		return 0
	}
	b := h.in[0]
	h.in = h.in[1:]
	return b
}

func (h *head) uvarint() uint64 {
	v, n := binary.Uvarint(h.in)
	h.took(n)
	return v
}

func (h *head) varint() int64 {
	v, n := binary.Varint(h.in)
	h.took(n)
	return v
}

func (h *head) took(n int) {
	if n <= 0 {
		h.bad, n = true, len(h.in)
	}
	h.in = h.in[n:]
}
