package signature

import (
	"math"
	"slices"
	"time"

	"benchvigil/internal/stats"
	"benchvigil/internal/unit"
)

// How steps are told apart, on the scale of ratio.
const (
	shortest = 300 * time.Millisecond // step, and two levels
	linear   = 20 * unit.Milliampere  // the scale is linear up to about this
	wobble   = 0.10                   // deviation that any level has: coarse instruments, a board at work
	alike    = 0.15                   // levels closer than this are one step: 10 mA at 45 mA, 34 mA at 210 mA
	apart    = 0.30                   // levels further apart than this differ: 22 mA at 45 mA, 80 mA at 210 mA
)

// ratio puts a current on the scale on which equal distances look equally
// important: ln(1 + I/20 mA).
func ratio(c unit.Current) float64 {
	return math.Log1p(float64(max(c, 0)) / float64(linear))
}

// Step is one line of the table of a start.
type Step struct {
	From   time.Duration // after power-up
	For    time.Duration
	Level  unit.Current // median
	Varies unit.Current // half the distance from the 5th to the 95th percentile
}

// Steps cuts the trace where its level changes. It is nil for no levels.
func (t Trace) Steps() []Step {
	if len(t.Levels) == 0 {
		return nil
	}
	var out []Step
	at := t.edges()
	for i, from := range at[:len(at)-1] {
		levels := t.Levels[from:at[i+1]]
		out = append(out, Step{
			From: time.Duration(from) * t.Every, For: time.Duration(len(levels)) * t.Every,
			Level: median(levels), Varies: varies(levels),
		})
	}
	return out
}

// edges are the indices where steps begin, and the end.
func (t Trace) edges() []int {
	least := max(2, int((shortest+t.Every-1)/t.Every))
	scaled := make([]float64, len(t.Levels))
	for i, l := range smooth(t.Levels) {
		scaled[i] = ratio(l)
	}
	at := []int{0}
	// Too few levels for one step of proper length are one step all the same.
	if cut, err := stats.SegmentByBIC(scaled, least, wobble); err == nil {
		at = append(at, cut.Changes...)
	}
	return merge(t.Levels, append(at, len(t.Levels)))
}

// merge joins neighbours that a person would write as one step, the most alike
// first. Change points alone cut what swings slowly into many.
func merge(levels []unit.Current, at []int) []int {
	for len(at) > 2 {
		least, between := math.Inf(1), 0
		for i := 1; i+1 < len(at); i++ {
			a, b := median(levels[at[i-1]:at[i]]), median(levels[at[i]:at[i+1]])
			if d := math.Abs(ratio(a) - ratio(b)); d < least {
				least, between = d, i
			}
		}
		if least > alike {
			return at
		}
		at = slices.Delete(at, between, between+1)
	}
	return at
}

func varies(levels []unit.Current) unit.Current {
	sorted := slices.Sorted(slices.Values(levels))
	tail := len(sorted) * 5 / 100
	return (sorted[len(sorted)-1-tail] - sorted[tail]) / 2
}
