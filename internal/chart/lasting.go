package chart

import (
	"math"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/stats"
)

// confidence is of two-sided limits: each alone is passed one time in twenty,
// as for the odds of a hook-up.
const confidence = 0.90

// Ran is one run as the store has it, for the curve.
type Ran struct {
	Row   RunRow
	Begin time.Time // the window counts from here; zero: it never began
}

// Origin is the moment from which the window of a run counts: from the power,
// or from the end of starting, as the changes of mode tell. Zero: it never left
// that.
func Origin(r *RunRow, changes []bench.Event, fromPower bool, until time.Time) time.Time {
	switch {
	case fromPower:
		return r.Began
	case !r.WindowMet.IsZero():
		return r.WindowMet.Add(-r.Window())
	}
	starting := false
	for _, e := range changes {
		if e.Type != bench.ModeChanged || e.Time.After(until) {
			continue
		}
		if !e.Time.Before(r.Began) && e.Data.From == bench.Starting {
			return e.Time
		}
		if e.Data.To == bench.Starting {
			starting = !e.Time.After(until)
		} else {
			starting = false
		}
	}
	if starting {
		return time.Time{}
	}
	return r.Began
}

// SurvivalOf makes the curve of runs, the oldest first. As for the odds, a run
// that was already going on at first sight counts only where it proved itself
// all the same, and then as one that would have lasted longer; a stop before the
// window began says nothing.
func SurvivalOf(runs []Ran, window time.Duration) Survival {
	s := Survival{WindowS: seconds(window), Confidence: confidence, Runs: []Lasted{}, Steps: []Step{}}
	var spans []stats.Span
	for _, r := range runs {
		l, counts := r.lasted(window)
		if !counts {
			continue
		}
		s.Runs = append(s.Runs, l)
		spans = append(spans, stats.Span{Length: l.LastedS, Ended: !l.Censored})
	}
	c := stats.KaplanMeier(spans)
	s.LastS = c.Last
	for _, step := range c.Steps {
		low, high := limits(c, step.Time)
		s.Steps = append(s.Steps, Step{AtS: step.Time, AtRisk: step.AtRisk, Ended: step.Ended, Share: step.Survival, Low: low, High: high})
	}
	s.AtWindow = atWindow(c, spans, s.WindowS)
	s.MedianS = finite(c.Median())
	return s
}

func (r *Ran) lasted(window time.Duration) (l Lasted, counts bool) {
	up := r.Row.Uptime()
	if r.Begin.IsZero() {
		up = 0
	} else {
		up -= r.Begin.Sub(r.Row.Began)
	}
	l = Lasted{ID: r.Row.ID, Began: r.Row.Began, LastedS: max(0, seconds(up)), Outcome: r.Row.Outcome}
	l.Censored = r.Row.Outcome != "dropped" || r.Row.Assumed
	switch {
	case r.Row.Outcome == "unseen",
		r.Row.Assumed && up < window,
		l.Censored && up <= 0:
		return l, false
	}
	return l, true
}

// atWindow is the chance to last through the window, nil where no run came so
// far and some may have.
func atWindow(c stats.Curve, spans []stats.Span, window float64) *Chance {
	// A run that drops at the end of the window has been up through it.
	share := c.At(math.Nextafter(window, 0))
	if len(spans) == 0 || math.IsNaN(share) {
		return nil
	}
	low, high := limits(c, math.Nextafter(window, 0))
	return &Chance{Share: share, Low: low, High: high}
}

func limits(c stats.Curve, t float64) (low, high *float64) {
	l := c.Limits(t, confidence)
	return finite(l.Low), finite(l.High)
}

// finite is nil for what is no number.
func finite(f float64) *float64 {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return nil
	}
	return &f
}
