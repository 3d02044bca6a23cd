package infer

import (
	"math"
	"slices"

	"benchvigil/internal/bench"
	"benchvigil/internal/stats"
)

// mostRuns bounds the runs of a hook-up that are remembered.
const mostRuns = 64

// hookupState are the runs of the hook-up that is on the station.
type hookupState struct {
	Runs []ranState // oldest first
	End  ms         // when the last of them ended
}

// ranState is one run, from the window's origin: it dropped, or was stopped and
// may have lasted longer.
type ranState struct {
	Up      ms
	Dropped bool
}

// followRuns takes the end of a run. One that was already up at first sight
// counts only where it proved itself all the same.
func (e *Engine) followRuns(kind bench.EventType) {
	l, h := &e.s.Last, &e.s.Hookup
	if kind == bench.RunReclassified {
		h.reclassify(l.End)
		return
	}
	r := ranState{Dropped: kind == bench.RunDropped}
	if l.Origin != 0 {
		r.Up = max(l.End-l.Origin, 0)
	}
	if l.Assumed && r.Up < e.window || !r.Dropped && r.Up == 0 {
		return
	}
	r.Dropped = r.Dropped && !l.Assumed // nobody knows how long that one lasted
	h.Runs = append(h.Runs, r)
	if n := len(h.Runs); n > mostRuns {
		h.Runs = slices.Clone(h.Runs[n-mostRuns:])
	}
	h.End = l.End
}

// reclassify makes a stop of the last run, which ended at the given moment.
func (h *hookupState) reclassify(end ms) {
	n := len(h.Runs)
	if n == 0 || h.End != end {
		return
	}
	h.Runs[n-1].Dropped = false
	if h.Runs[n-1].Up == 0 {
		h.Runs = h.Runs[:n-1]
	}
}

// takeBack forgets the stop of a run that goes on.
func (h *hookupState) takeBack(l *endState) {
	if n := len(h.Runs); n > 0 && h.End == l.End {
		h.Runs, h.End = h.Runs[:n-1], 0
	}
}

// newHookup forgets how the boards did before they were reseated. A run that
// goes on counts for the new hook-up: nobody reseats under power.
func (e *Engine) newHookup() {
	e.s.Hookup = hookupState{}
	e.s.Drops, e.s.Told, e.s.Last.Counted = nil, 0, false
	e.ahead = expected{}
}

// odds is whether the run that goes on, or the next one, will last through the
// window or the stay that is armed, by runs of the same hook-up that came as far.
func (e *Engine) odds() *bench.OddsView {
	r, age := &e.s.Run, ms(0)
	if r.Active && r.Origin != 0 {
		age = e.s.Now - r.Origin
	}
	until := e.horizon()
	if age >= until || until == e.window && r.Active && r.Met != 0 {
		return nil
	}
	v := oddsOf(e.s.Hookup.Runs, age, until)
	regular := e.regularAt(age)
	if v == nil && regular != 0 {
		v = &bench.OddsView{High: 1}
	}
	if v == nil {
		return nil
	}
	v.Regular = regular.span()
	if until > e.window {
		v.Wait = until.span()
	}
	return v
}

// horizon is how long after its origin the board must still be up: through the
// window, or longer where a stay is armed.
func (e *Engine) horizon() ms {
	w, r := &e.s.Watch, &e.s.Run
	if w.Armed == 0 || w.Goal.Kind != bench.GoalStay {
		return e.window
	}
	until := e.takes(w.Goal)
	if r.Active && r.Origin != 0 {
		until += max(w.Armed-r.Origin, 0)
	}
	return max(until, e.window)
}

// regularAt is after how long the regular drops come, 0 where there are none or
// the run has outlived them.
func (e *Engine) regularAt(age ms) ms {
	n := min(e.s.Told, len(e.s.Drops))
	if n == 0 {
		return 0
	}
	alike := slices.Clone(e.s.Drops[len(e.s.Drops)-n:])
	slices.Sort(alike)
	if age > alike[n-1]+alike[n-1]/regularSpread {
		return 0
	}
	return alike[n/2]
}

// oddsOf estimates the chance to stay up through the window at an age, from runs
// that were up for longer than that: their share where the end of all is known,
// else the Kaplan-Meier curve, those that were stopped before being censored.
// The limits are exact (Clopper-Pearson, the success run when all lasted), but
// log-log ones of the curve where some were stopped before.
func oddsOf(runs []ranState, age, window ms) *bench.OddsView {
	v := &bench.OddsView{}
	var spans []stats.Span
	for _, r := range runs {
		if r.Up <= age && (age > 0 || !r.Dropped) {
			continue
		}
		lasted := r.Up >= window
		spans = append(spans, stats.Span{Length: min(r.Up, window).span().Seconds(), Ended: r.Dropped && !lasted})
		if lasted {
			v.Lasted++
		}
		if lasted || r.Dropped {
			v.Of++
		}
	}
	if v.Of == 0 {
		return nil
	}
	v.Share = float64(v.Lasted) / float64(v.Of)
	limits := stats.ClopperPearson(v.Lasted, v.Of, oddsConfidence)
	if v.Lasted == v.Of {
		limits.Low = stats.SuccessRun(v.Of, 1-(1-oddsConfidence)/2) // the same, as everybody knows it
	}
	if v.Lasted > 0 && v.Lasted < v.Of && len(spans) > v.Of {
		c, end := stats.KaplanMeier(spans), window.span().Seconds()
		v.Share = c.At(end)
		if l := c.Limits(end, oddsConfidence); !math.IsNaN(l.Low) {
			limits = l
		}
	}
	v.Low, v.High = limits.Low, limits.High
	return v
}

// oddsConfidence is of two-sided limits: each alone is passed one time in twenty.
const oddsConfidence = 0.90
