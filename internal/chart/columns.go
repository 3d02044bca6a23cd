package chart

import (
	"cmp"
	"math"
	"slices"
	"time"

	"benchvigil/internal/trace"
)

// second is the width of the roll-ups that are kept.
const second = int64(time.Second / time.Millisecond)

// Frame is an interval cut into columns.
type Frame struct {
	From, To int64 // Unix ms, whole columns
	Step     int64 // ms
}

// Fit cuts an interval into up to so many columns, and one more where they do
// not begin with it. Columns begin at multiples of their width, so that the same
// ones are met again when the interval moves; those of a second and more are
// whole seconds.
func Fit(from, to int64, points int) Frame {
	step := max(1, ceil(to-from, int64(points)))
	if step >= second {
		step = second * ceil(step, second)
	}
	return Frame{From: floor(from, step), To: step * ceil(to, step), Step: step}
}

// Start gives columns of the same width that begin with a moment instead, to the
// second where roll-ups are needed, and reach over a length.
func (f Frame) Start(at, lasts int64) Frame {
	begin := floor(at, min(f.Step, second))
	return Frame{From: begin, To: begin + f.Step*ceil(at-begin+lasts, f.Step), Step: f.Step}
}

// Fine reports that columns are narrower than a roll-up: only readings can fill
// them.
func (f Frame) Fine() bool { return f.Step < second }

// floor is the multiple of step at or below at.
func floor(at, step int64) int64 {
	n := at / step
	if at%step < 0 {
		n--
	}
	return n * step
}

// ceil is a/b rounded up.
func ceil(a, b int64) int64 {
	n := a / b
	if a%b > 0 {
		n++
	}
	return n
}

// Sum is one reading, or several that are summed up.
type Sum struct {
	At, Until      int64 // Unix ms, both in it
	Count          int64
	Min, Mean, Max int64
}

// OfPoint is value v of a reading, false where it is unknown.
func OfPoint(p *trace.Point, v int) (Sum, bool) {
	x := p.Values[v]
	return Sum{At: p.At, Until: p.At, Count: 1, Min: x, Mean: x, Max: x}, p.Known>>v&1 == 1
}

// OfRollup is the volts or the amperes of a roll-up, false where they are
// unknown.
func OfRollup(r *trace.Rollup, v int) (Sum, bool) {
	s := r.Volts
	if v == trace.Amps {
		s = r.Amps
	}
	return Sum{At: r.At, Until: r.At + second - 1, Count: max(r.Count, 1), Min: s.Min, Mean: s.Mean, Max: s.Max}, s.Known
}

// Line gathers what was read of one channel, in any order.
type Line struct {
	name, unit string
	factor     int64 // to millionths
	sums       []Sum
}

// NewLine begins a channel of volts, amperes or, in thousandths, °C.
func NewLine(name string) *Line {
	l := &Line{name: name, unit: "A", factor: 1}
	switch name {
	case Volts, VBUSVolts:
		l.unit = "V"
	case Celsius:
		l.unit, l.factor = "°C", 1000
	}
	return l
}

// Add takes what Sum says, unless it is not known.
func (l *Line) Add(s Sum, known bool) {
	if known {
		l.sums = append(l.sums, s)
	}
}

// Len is how many were taken.
func (l *Line) Len() int { return len(l.sums) }

// Readings gives what was taken as it is: for readings, not for sums of
// several. A null stands where none came for long.
func (l *Line) Readings(f Frame) Channel {
	c := l.channel(len(l.sums))
	sums, limit := l.sorted(), l.limit()
	period := limit / blindPeriods
	for i, s := range sums {
		if i > 0 && s.At-sums[i-1].At > limit {
			c.T, c.V = append(c.T, sums[i-1].At+min(period, second)-f.From), append(c.V, Absent)
		}
		c.T, c.V = append(c.T, s.At-f.From), append(c.V, s.Mean*l.factor)
	}
	return c
}

func (l *Line) channel(n int) Channel {
	return Channel{Name: l.name, Unit: l.unit, Scale: 1e-6, T: make([]int64, 0, n)}
}

func (l *Line) sorted() []Sum {
	slices.SortStableFunc(l.sums, func(a, b Sum) int { return cmp.Compare(a.At, b.At) })
	return l.sums
}

// Without a reading for so long, or so many reading periods, sight is lost, as
// for inference.
const (
	blind        = int64(3 * time.Second / time.Millisecond)
	blindPeriods = 10
)

// limit is how long no reading may come without a gap.
func (l *Line) limit() int64 {
	sums := l.sorted()
	var apart []int64
	for i := 1; i < len(sums); i++ {
		apart = append(apart, (sums[i].At-sums[i-1].At)/max(1, sums[i].Count))
	}
	if len(apart) == 0 {
		return blind
	}
	slices.Sort(apart)
	return max(blind, blindPeriods*apart[len(apart)/2])
}

// column is what fell into one column.
type column struct {
	count    int64
	min, max int64
	base     int64   // about the mean, so that the sum stays small
	above    float64 // sum of what is above it
	at, end  int64   // of the first and the last of it
}

func (c *column) add(s Sum) {
	if c.count == 0 {
		*c = column{min: s.Min, max: s.Max, base: s.Mean, at: s.At, end: s.Until}
	}
	c.min, c.max = min(c.min, s.Min), max(c.max, s.Max)
	c.at, c.end = min(c.at, s.At), max(c.end, s.Until)
	c.count += s.Count
	c.above += float64(s.Count) * float64(s.Mean-c.base)
}

func (c *column) mean() int64 {
	m := c.base + int64(math.Round(c.above/float64(c.count)))
	return min(max(m, c.min), c.max)
}

// Columns gives what was taken by columns. A column in which nothing was read
// is left out; where nothing was read for long, the first such is null.
func (l *Line) Columns(f Frame) Channel {
	cells := l.cells(f)
	c, limit := l.channel(len(cells)), l.limit()
	last := -1
	for i := range cells {
		cell := &cells[i]
		if cell.count == 0 {
			continue
		}
		if last >= 0 && i > last+1 && cell.at-cells[last].end > limit {
			c.column(int64(last+1)*f.Step, Absent, Absent, Absent)
		}
		c.column(int64(i)*f.Step, cell.min*l.factor, cell.mean()*l.factor, cell.max*l.factor)
		last = i
	}
	return c
}

func (l *Line) cells(f Frame) []column {
	cells := make([]column, (f.To-f.From)/f.Step)
	for _, s := range l.sums {
		if i := floor(s.At-f.From, f.Step) / f.Step; i >= 0 && i < int64(len(cells)) {
			cells[i].add(s)
		}
	}
	return cells
}

func (c *Channel) column(t, least, mean, most int64) {
	c.T = append(c.T, t)
	c.Min, c.Mean, c.Max = append(c.Min, least), append(c.Mean, mean), append(c.Max, most)
}

// Silences are the times within an interval in which nothing was read for long.
func (l *Line) Silences(from, to int64) (out []Gap) {
	limit, last := l.limit(), from
	for _, s := range l.sorted() {
		if s.At-last > limit {
			out = append(out, Gap{From: last, To: s.At})
		}
		last = max(last, s.Until)
	}
	if to-last > limit {
		out = append(out, Gap{From: last, To: to})
	}
	return out
}
