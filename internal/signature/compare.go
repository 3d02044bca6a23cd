package signature

import (
	"cmp"
	"math"
	"slices"
	"time"

	"benchvigil/internal/stats"
	"benchvigil/internal/unit"
)

// What counts as different in time.
const (
	leastStretch   = int(2 * time.Second / grid)         // at most so far, in levels,
	stretchPercent = 15                                  // or this much of the longer
	perStretch     = 5e-3 * float64(grid) / 1e9          // amperes for each level between two beside each other
	perShift       = 0.01 * float64(grid) / 1e9          // the same between tables, on the scale of ratio
	perMissing     = 50e-3                               // amperes for each level that only one has
	nothing        = 20 * unit.Milliampere               // no difference, whatever the ratio
	persists       = int(1000 * time.Millisecond / grid) // a difference that lasts so long is where they part
)

// Match is how a start compares with one reference.
type Match struct {
	Reference Reference
	Distance  unit.Current // mean difference
	Parts     unit.Maybe[Parting]
}

// Parting is where a start begins to go another way than a reference, for a
// second or longer by the clock of either.
type Parting struct {
	At    time.Duration // after power-up, by the clock of the one that changed first
	Here  unit.Current  // level of the step of the start
	There unit.Current  // and of the reference
}

// Compare says how far a start is from each reference, the nearest first. Equal
// ones keep their order.
func Compare(t Trace, references []Reference) []Match {
	here := newLine(t)
	out := make([]Match, 0, len(references))
	for _, r := range references {
		m := Match{Reference: r}
		m.Distance, m.Parts = compare(here, newLine(r.Trace))
		out = append(out, m)
	}
	slices.SortStableFunc(out, func(a, b Match) int { return cmp.Compare(a.Distance, b.Distance) })
	return out
}

// line is a trace on the 100 ms grid: what was read, and the steps in it.
type line struct {
	read  []unit.Current
	steps []Step
	end   Ending
}

func newLine(t Trace) line {
	l := line{read: on100ms(smooth(t.Levels), t.Every), end: t.End}
	for _, s := range t.Steps() {
		for range s.For / grid {
			l.steps = append(l.steps, s)
		}
	}
	return l
}

// extend goes on at 0 A, as a board does that dropped or was switched off.
func (l line) extend(to int) line {
	if l.end == Dropped || l.end == Stopped {
		n := max(0, to-len(l.read))
		l.read = append(slices.Clip(l.read), make([]unit.Current, n)...)
		l.steps = append(slices.Clip(l.steps), slices.Repeat([]Step{{From: time.Duration(len(l.steps)) * grid}}, n)...)
	}
	return l
}

func (l line) first(n int) line { return line{l.read[:n], l.steps[:n], l.end} }

func compare(here, there line) (unit.Current, unit.Maybe[Parting]) {
	a, b, missing := match(here, there)
	if len(a.read) == 0 || len(b.read) == 0 {
		return unit.FromAmps(perMissing), unit.Maybe[Parting]{}
	}
	band := stretch(len(a.read), len(b.read))
	read := warp(len(a.read), len(b.read), band, perStretch, func(i, j int) float64 {
		return math.Abs((a.read[i] - b.read[j]).Amps())
	})
	x, y := ratios(a.steps), ratios(b.steps)
	tables := warp(len(x), len(y), band, perShift, func(i, j int) float64 { return math.Abs(x[i] - y[j]) })
	all := float64(len(a.read) + len(b.read) + missing)
	return unit.FromAmps((read.Cost + perMissing*float64(missing)) / all), parting(tables.Path, a.steps, b.steps)
}

func ratios(steps []Step) []float64 {
	out := make([]float64, len(steps))
	for i, s := range steps {
		out[i] = ratio(s.Level)
	}
	return out
}

// warp aligns two lines, each level between two beside each other costing more.
func warp(n, m, band int, shifted float64, cost func(i, j int) float64) stats.Alignment {
	w, err := stats.Warp(n, m, band, func(i, j int) float64 { return cost(i, j) + shifted*float64(max(i-j, j-i)) })
	if err != nil {
		panic("signature: " + err.Error()) // match keeps what Warp asks for
	}
	return w
}

// stretch is how many levels two lines of such lengths may be shifted.
func stretch(n, m int) int { return max(leastStretch, max(n, m)*stretchPercent/100) }

// match makes two traces comparable: one that dropped goes on without current,
// and of two that ended otherwise the longer is cut. It also counts the levels
// that are compared with nothing: where a trace was merely cut, what would
// have followed is not known and counts for nothing.
func match(here, there line) (a, b line, missing int) {
	a = here.extend(len(there.read))
	b = there.extend(len(a.read))
	n, m := len(a.read), len(b.read)
	band := stretch(n, m)
	if max(n, m)-min(n, m) <= band {
		return a, b, 0
	}
	if here.end != Cut && there.end != Cut {
		missing = max(n, m) - min(n, m) - band
	}
	both := min(n, m)
	return a.first(both), b.first(both), missing
}

// parting is the first stretch of the path, of a second by either clock, in
// which the steps beside each other differ.
func parting(path []stats.Pair, here, there []Step) unit.Maybe[Parting] {
	begin := -1
	for k, p := range path {
		if !differ(here[p.A], there[p.B]) {
			begin = -1
			continue
		}
		if begin < 0 {
			begin = k
		}
		from := path[begin]
		if max(p.A-from.A, p.B-from.B)+1 >= persists {
			return unit.Some(partingAt(from, here, there))
		}
	}
	return unit.Maybe[Parting]{}
}

// partingAt names the levels with which the two go on. The path may hold the
// last of a step for as long as it can, to put off what does not fit.
func partingAt(p stats.Pair, here, there []Step) Parting {
	atHere, a := goesOn(here, p.A)
	atThere, b := goesOn(there, p.B)
	if !differ(a, b) {
		atHere, a, atThere, b = p.A, here[p.A], p.B, there[p.B]
	}
	return Parting{At: time.Duration(min(atHere, atThere)) * grid, Here: a.Level, There: b.Level}
}

// goesOn is the step in force two levels on, which is within the shortest step,
// and where that begins, if later.
func goesOn(steps []Step, i int) (at int, s Step) {
	s = steps[min(i+2, len(steps)-1)]
	return max(i, int(s.From/grid)), s
}

// differ reports levels that lie further apart than steps do, and than either
// of the two swings.
func differ(a, b Step) bool {
	far := max(a.Level-b.Level, b.Level-a.Level)
	return math.Abs(ratio(a.Level)-ratio(b.Level)) > apart && far > max(a.Varies, b.Varies, nothing)
}
