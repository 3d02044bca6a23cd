package study

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
)

// pair is a true and a told word.
type pair struct{ True, Told string }

// MarshalText writes the pair as the key of a JSON object.
func (p pair) MarshalText() ([]byte, error) { return []byte(p.True + " > " + p.Told), nil }

// UnmarshalText reads it.
func (p *pair) UnmarshalText(b []byte) error {
	var ok bool
	if p.True, p.Told, ok = strings.Cut(string(b), " > "); !ok {
		return fmt.Errorf("%q is no pair of words", b)
	}
	return nil
}

// sample is a set of lengths of time, seconds. In a file only its summary is
// kept.
type sample struct {
	values []float64
	kept   summary
}

// summary is what is kept of a sample.
type summary struct {
	N                  int
	P50, P95, P99, Max float64
}

func (s *sample) add(x float64) { s.values = append(s.values, x) }

// quantile of the sample, type 7 of Hyndman and Fan; NaN of nothing.
func (s *sample) quantile(p float64) float64 {
	if len(s.values) == 0 {
		return math.NaN()
	}
	x := slices.Sorted(slices.Values(s.values))
	h := p * float64(len(x)-1)
	i := int(h)
	if i+1 == len(x) {
		return x[i]
	}
	return x[i] + (h-float64(i))*(x[i+1]-x[i])
}

func (s *sample) summary() summary {
	if len(s.values) == 0 {
		return s.kept
	}
	r := func(p float64) float64 { return math.Round(s.quantile(p)*1000) / 1000 }
	return summary{len(s.values), r(0.5), r(0.95), r(0.99), r(1)}
}

// MarshalJSON keeps the summary only.
func (s sample) MarshalJSON() ([]byte, error) { return json.Marshal(s.summary()) }

// UnmarshalJSON reads a summary.
func (s *sample) UnmarshalJSON(b []byte) error { return json.Unmarshal(b, &s.kept) }

// Tally is the score of one job, or of many.
type Tally struct {
	Hours, RestoreHours, RePairHours float64

	Drops, Missed, FalseDrops int
	TooShort                  int // interruptions too short or too hidden to be seen; told or not
	Unseen                    int // drops while nobody looked
	Delay                     sample
	EveryDelay                sample // at any rate
	SlowDelay, FastDelay      sample // below and above 10 Hz
	LinkDelay                 sample // beyond the gap, by the bus alone
	Held, HeldMissed          int    // restarts with power held
	HeldDelay                 sample
	TimeError                 sample
	Kinds                     map[pair]int
	WrongKind                 int

	Stalls, MissedStalls, FalseStalls int
	FalseRePairStalls                 int
	ClearsFalse                       int    // said to be over while it stood
	StallFlaps                        int    // raised again within one stall
	StallDelay                        sample // beyond the quiet limit

	Runs, RunsMissed, RunsFalse                int
	Windows, WindowsMissed, WindowsWrong       int
	Hung, HungMissed, HungFalse                int
	Restarts, RestartsMissed                   int
	Regular, RegularMissed, RegularFalse       int
	Drifts, DriftsMissed, DriftsFalse          int
	Collapses, CollapsesMissed, CollapsesFalse int
	HighsFalse                                 int
	Leaks, LeaksMissed                         int
	Stops, StopsMissed                         int
	Modes                                      map[pair]float64 // seconds
	worst                                      []Case
}

// Case is one thing that went wrong, and where to find it.
type Case struct {
	Weight float64 // the larger the worse
	Job    string
	At     ms
	What   string
}

func newTally() *Tally { return &Tally{Kinds: map[pair]int{}, Modes: map[pair]float64{}} }

func (y *Tally) note(weight float64, at ms, what string) {
	y.worst = append(y.worst, Case{Weight: weight, At: at, What: what})
}

func (y *Tally) noteIf(so bool, weight float64, at ms, what string) {
	if so {
		y.note(weight, at, what)
	}
}

// add takes another tally in.
func (y *Tally) add(o *Tally) {
	y.Hours += o.Hours
	y.RestoreHours += o.RestoreHours
	y.RePairHours += o.RePairHours
	for _, n := range []struct{ to, from *int }{
		{&y.Drops, &o.Drops},
		{&y.Missed, &o.Missed},
		{&y.FalseDrops, &o.FalseDrops},
		{&y.TooShort, &o.TooShort},
		{&y.Unseen, &o.Unseen},
		{&y.Held, &o.Held},
		{&y.HeldMissed, &o.HeldMissed},
		{&y.WrongKind, &o.WrongKind},
		{&y.Stalls, &o.Stalls},
		{&y.MissedStalls, &o.MissedStalls},
		{&y.FalseStalls, &o.FalseStalls},
		{&y.FalseRePairStalls, &o.FalseRePairStalls},
		{&y.StallFlaps, &o.StallFlaps},
		{&y.ClearsFalse, &o.ClearsFalse},
		{&y.Runs, &o.Runs},
		{&y.RunsMissed, &o.RunsMissed},
		{&y.RunsFalse, &o.RunsFalse},
		{&y.Windows, &o.Windows},
		{&y.WindowsMissed, &o.WindowsMissed},
		{&y.WindowsWrong, &o.WindowsWrong},
		{&y.Hung, &o.Hung},
		{&y.HungMissed, &o.HungMissed},
		{&y.HungFalse, &o.HungFalse},
		{&y.Restarts, &o.Restarts},
		{&y.RestartsMissed, &o.RestartsMissed},
		{&y.Regular, &o.Regular},
		{&y.RegularMissed, &o.RegularMissed},
		{&y.RegularFalse, &o.RegularFalse},
		{&y.Drifts, &o.Drifts},
		{&y.DriftsMissed, &o.DriftsMissed},
		{&y.DriftsFalse, &o.DriftsFalse},
		{&y.HighsFalse, &o.HighsFalse},
		{&y.Collapses, &o.Collapses},
		{&y.CollapsesMissed, &o.CollapsesMissed},
		{&y.CollapsesFalse, &o.CollapsesFalse},
		{&y.Leaks, &o.Leaks},
		{&y.LeaksMissed, &o.LeaksMissed},
		{&y.Stops, &o.Stops},
		{&y.StopsMissed, &o.StopsMissed},
	} {
		*n.to += *n.from
	}
	for _, s := range []struct{ to, from *sample }{
		{&y.Delay, &o.Delay},
		{&y.EveryDelay, &o.EveryDelay},
		{&y.SlowDelay, &o.SlowDelay},
		{&y.FastDelay, &o.FastDelay},
		{&y.LinkDelay, &o.LinkDelay},
		{&y.HeldDelay, &o.HeldDelay},
		{&y.TimeError, &o.TimeError},
		{&y.StallDelay, &o.StallDelay},
	} {
		s.to.values = append(s.to.values, s.from.values...)
	}
	for k, v := range o.Kinds {
		y.Kinds[k] += v
	}
	for k, v := range o.Modes {
		y.Modes[k] += v
	}
	y.worst = append(y.worst, o.worst...)
}

// right is the share of the scored time in which the mode shown was true.
func (y *Tally) right() float64 {
	var good, all float64
	for _, k := range sortedPairs(y.Modes) {
		all += y.Modes[k]
		if k.True == k.Told {
			good += y.Modes[k]
		}
	}
	if all == 0 {
		return math.NaN()
	}
	return good / all
}

func sortedPairs[V any](m map[pair]V) []pair {
	keys := make([]pair, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b pair) int {
		return strings.Compare(a.True+"\x00"+a.Told, b.True+"\x00"+b.Told)
	})
	return keys
}

// poisson returns the 95 % limits of the mean of a Poisson count (Garwood 1936:
// the means for which so many or more, and so many or fewer, have a chance of
// 2.5 %).
func poisson(n int) (low, high float64) {
	below := func(mean float64, k int) float64 { // P(X <= k)
		p, sum := math.Exp(-mean), 0.0
		for i := 0; i <= k; i++ {
			sum += p
			p *= mean / float64(i+1)
		}
		return sum
	}
	bisect := func(f func(float64) bool) float64 {
		a, b := 0.0, float64(n)+10*math.Sqrt(float64(n)+1)+10
		for range 100 {
			if m := (a + b) / 2; f(m) {
				a = m
			} else {
				b = m
			}
		}
		return a
	}
	if n > 500 { // exp(-mean) would vanish: the normal approximation is good here
		return float64(n) - 1.96*math.Sqrt(float64(n)), float64(n) + 1.96*math.Sqrt(float64(n))
	}
	if n > 0 {
		low = bisect(func(m float64) bool { return 1-below(m, n-1) < 0.025 })
	}
	return low, bisect(func(m float64) bool { return below(m, n) > 0.025 })
}

func seconds(s float64) string { return fmt.Sprintf("%.1f s", s) }

// Seconds is when it happened, since the beginning of the job.
func (c Case) Seconds() float64 { return float64(c.At) / 1000 }
