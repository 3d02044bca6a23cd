package infer

import (
	"benchvigil/internal/bench"
)

// mark takes what a person said.
func (e *Engine) mark(t ms, m bench.Mark) {
	switch m.Kind {
	case bench.MarkStop:
		e.stop(t, markGrace, marked(m, "%s marked a stop"))
	case bench.MarkResume:
		e.resume(t, m)
	case bench.MarkMine:
		e.reclassify(t, mineGrace, marked(m, "%s said that it was them"))
	case bench.MarkHandsOn:
		d := m.For
		if d <= 0 || d > bench.MostHandsOn {
			d = bench.DefaultHandsOn
		}
		e.s.Hands = t + millis(d)
	case bench.MarkHandsOff:
		e.s.Hands = 0
	case bench.MarkHookup:
		e.newHookup()
	case bench.MarkScreen:
		e.seen(t, m)
	case bench.MarkCase:
		e.s.Case = m.Text
	case bench.MarkArm, bench.MarkDone, bench.MarkDisarm:
		e.watchMark(t, m)
	}
}

func marked(m bench.Mark, format string) bench.EventData {
	why := []string{say(format, orSomebody(m.By))}
	if m.Text != "" {
		why = append(why, m.Text)
	}
	return bench.EventData{Kind: bench.StoppedByMark, By: m.By, Why: why}
}

// handsOn reports that a person is at the station.
func (e *Engine) handsOn(t ms) bool { return t < e.s.Hands }

// handled ends a run that went down while a person was at the station: nobody
// can tell whose doing it was, so it is not counted against the board.
func (e *Engine) handled(kind string, why []string) {
	at, r := e.s.Down.Since, e.s.Run
	mode := e.s.Mode.Mode
	e.end(bench.RunStopped, at, bench.StoppedByHands)
	e.emit(bench.RunStopped, at, bench.EventData{
		Kind: bench.StoppedByHands, Mode: mode, Uptime: length(at - r.Start), Window: length(e.window), Assumed: r.Assumed,
		Why: append([]string{"somebody was at the station", "it looked like " + kind}, why...),
	})
}

// outputOff takes the supply's word that its output is off. Bus power may feed
// the board all the same, so there it proves nothing.
func (e *Engine) outputOff(t ms) {
	if e.st.Hookup.VBUS {
		return
	}
	e.stop(t, outputGrace, bench.EventData{Kind: bench.StoppedByOutput, Why: []string{"the supply's output is switched off"}})
}

// stop ends the run by a person's or a routine's doing; within grace after a
// drop it says that the drop was such a doing.
func (e *Engine) stop(t, grace ms, d bench.EventData) {
	r := e.s.Run
	d.Mode, d.Assumed = e.s.Mode.Mode, r.Assumed
	if !r.Active {
		e.reclassify(t, grace, d)
		return
	}
	at := t
	switch g := &e.s.Gap; {
	case e.s.Down.Since != 0:
		at = e.s.Down.Since
	case g.Open && !g.Flowed && d.Kind == bench.StoppedByOutput:
		at, d.Assumed = g.Up, true // it was switched off while nobody watched
		d.Why = append(d.Why, e.whyUnwatched())
	}
	d.Uptime = length(at - r.Start)
	d.Window = length(e.window)
	e.end(bench.RunStopped, at, d.Kind)
	e.s.Run.Blocked = true
	e.emit(bench.RunStopped, at, d)
}

// resume takes back a stop that was a mistake, while nothing was off since: the
// run goes on as if it had never been stopped, and so does its goal.
func (e *Engine) resume(t ms, m bench.Mark) {
	r, l := &e.s.Run, &e.s.Last
	if !r.Blocked || l.Type != bench.RunStopped || l.Kind != bench.StoppedByMark {
		return
	}
	e.s.Hookup.takeBack(l)
	*r = runState{Active: true, Start: l.Start, Assumed: l.Assumed, Origin: l.Origin, Met: l.Met, NotBefore: l.NotBefore}
	if r.Origin == 0 && e.s.Mode.Mode != bench.Starting {
		r.Origin = max(r.Start, e.s.Mode.Since) // it started while it counted as stopped
	}
	ended := l.End
	*l = endState{}
	why := marked(m, "%s said that the stop was a mistake").Why
	e.emit(bench.RunStarted, r.Start, bench.EventData{
		Kind: bench.Resumed, By: m.By, Mode: e.s.Mode.Mode, Uptime: e.uptime(t), Window: length(e.window), Assumed: r.Assumed, Why: why,
	})
	e.resumeWatch(ended, m.By, why)
}

func (e *Engine) reclassify(t, grace ms, d bench.EventData) {
	l := &e.s.Last
	if l.Type != bench.RunDropped || t-l.End > grace {
		return
	}
	if l.Counted {
		e.s.Drops = e.s.Drops[:len(e.s.Drops)-1]
		e.s.Told = min(e.s.Told, len(e.s.Drops))
	}
	e.s.Counts.Reclassified++
	l.Type, l.Kind, l.Counted = bench.RunStopped, d.Kind, false
	d.Mode = ""
	d.Uptime, d.Window, d.Assumed = length(l.End-l.Start), length(e.window), l.Assumed
	e.emit(bench.RunReclassified, l.End, d)
}

func orSomebody(name string) string {
	if name == "" {
		return "somebody"
	}
	return name
}
