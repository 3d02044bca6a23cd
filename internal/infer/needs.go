package infer

import (
	"math"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/stats"
	"benchvigil/internal/unit"
)

// How much must have finished before something is said of what goes on.
const (
	leastFinished = 5 // in all
	leastMedian   = 3 // of those that had not ended at this age
	leastMost     = 9 // of them: the ninth of nine is passed one time in ten
)

// expected is what was said of the time to come: it is asked for ten times a
// second, and changes with events and, slowly, with time.
type expected struct {
	at     ms
	events uint64
	needs  *bench.NeedsView
	odds   *bench.OddsView
}

// expect is what can be said of the time to come, a second old at most.
func (e *Engine) expect() (*bench.NeedsView, *bench.OddsView) {
	a := &e.ahead
	if a.at == 0 || e.s.Now-a.at >= 1000 || a.events != e.s.Events {
		*a = expected{at: e.s.Now, events: e.s.Events, needs: e.needs(), odds: e.odds()}
	}
	return a.needs, a.odds
}

// needs is how long the work under way still takes.
func (e *Engine) needs() *bench.NeedsView {
	w := &e.s.Work
	if w.Mode == "" || w.Assumed {
		return nil
	}
	return needsOf(e.stays(w.Mode), w.Mode, e.s.Now-w.Since)
}

// needsOf estimates the time still needed at an age, by those that had not ended
// at that age: the Kaplan-Meier curve of their lengths, those that broke off
// being censored. The limit of 9 in 10 allows for their number: the next is
// longer than the k-th of n once in (n+1)/(n+1-k) times.
func needsOf(stays []bench.Stay, m bench.Mode, age ms) *bench.NeedsView {
	v := &bench.NeedsView{Mode: m}
	finished := 0
	var longer []stats.Span
	for _, s := range stays {
		if s.Finished {
			finished++
		}
		if millis(s.Lasted) <= age {
			continue
		}
		longer = append(longer, stats.Span{Length: s.Lasted.Seconds(), Ended: s.Finished})
		if s.Finished {
			v.Of++
		}
	}
	switch {
	case finished < leastFinished:
		return nil
	case v.Of == 0:
		v.Of, v.Passed = finished, true
		return v
	case v.Of < leastMedian:
		return nil
	}
	c := stats.KaplanMeier(longer)
	set(&v.Median, c.Quantile(0.5), age)
	if n := float64(len(longer)); v.Of >= leastMost {
		set(&v.Most, c.Quantile(0.9*(n+1)/n-1e-9), age)
	}
	return v
}

// set takes the time from the age to a quantile in seconds, if there is one.
func set(m *unit.Maybe[time.Duration], seconds float64, age ms) {
	if !math.IsInf(seconds, 1) {
		*m = length(max(ms(math.Round(seconds*1000))-age, 0))
	}
}
