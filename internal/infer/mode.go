package infer

import (
	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

// chooseMode declares the mode that the evidence now shows.
func (e *Engine) chooseMode(t ms) {
	if e.s.Down.Since != 0 {
		return
	}
	e.weighing = false
	defer e.stopWeighing()
	up := e.s.Run.Active || e.s.Run.Blocked
	switch {
	case !up && !e.blind(t):
		e.modeOfUnpowered()
	case e.s.Source.Told: // the bus cannot be seen: hold what was known
	case e.identified(t):
		e.modeByIdentity()
	case up:
		e.modeWithoutIdentity(t)
	}
}

// modeOfUnpowered declares the mode of a board without a run. Here the current
// decides; a device that came up on USB while none flows is believed all the
// same, since something else must feed it.
func (e *Engine) modeOfUnpowered() {
	s, u := &e.s.Power, &e.s.USB
	switch {
	case u.Present && u.Since > max(s.Low.Since, e.s.Last.End) && s.High.N == 0 && !e.s.Source.Told:
		e.modeByIdentity()
	case e.certainlyOff():
		if e.s.Mode.Mode == bench.Off {
			return
		}
		e.setMode(bench.Off, s.Off.Since, say("%v flows, the off band ends at %v", s.Amps, e.p.OffHigh()))
	case e.s.Mode.Mode != bench.Standby && s.Mid.N >= 3 && s.Last-s.Mid.Since >= standbyFor && !u.Present && e.p.Spec(bench.Standby) != nil:
		e.setMode(bench.Standby, s.Mid.Since, say("%v flows and nothing is on USB", s.Amps))
	}
}

// certainlyOff needs as much of the current as a drop does.
func (e *Engine) certainlyOff() bool {
	off := e.s.Power.Off
	return off.N >= 2 && e.s.Power.Last-off.Since >= millis(e.p.OffFor) && e.linkAgrees()
}

// modeByIdentity declares the mode that the identity stands for. Where it
// stands for several, the filter weighs them.
func (e *Engine) modeByIdentity() {
	u, cands := &e.s.USB, e.shown()
	switch {
	case len(cands) == 0 && e.s.Mode.Mode != bench.Unknown:
		e.setMode(bench.Unknown, u.Since, say("%v is not in the profile %s", u.ID, e.p.Name))
	case len(cands) == 1 && e.s.Mode.Mode != cands[0].Mode:
		e.setMode(cands[0].Mode, u.Since, say("%v on USB", u.ID))
	case len(cands) > 1:
		e.open(e.mask(cands), u.Since)
	}
}

// mask has a bit for each of the modes.
func (e *Engine) mask(specs []*profile.Spec) (m uint32) {
	for _, s := range specs {
		m |= e.bit(s.Mode)
	}
	return m
}

func (e *Engine) bit(m bench.Mode) uint32 { return 1 << e.m.index(m) }

// up reports a mode of a board that is up and past starting.
func up(m bench.Mode) bool {
	switch m {
	case bench.Unknown, bench.Off, bench.Standby, bench.Starting:
		return false
	}
	return true
}

// modeWithoutIdentity declares the mode of a powered board with nothing on its
// port: the mode in force is held through its gap, starting lasts until the
// device shows up, and after that only the current is left to ask.
func (e *Engine) modeWithoutIdentity(t ms) {
	m := &e.s.Mode
	if away, ok := e.leftFor(t); ok && up(m.Mode) {
		switch {
		case away <= e.absence() || e.cableOut():
			return
		case e.maybeRestarting(away):
			e.setMode(bench.Starting, e.s.USB.Gone, say("gone from USB for %s and %v flows: it restarts", away.words(), e.s.Power.Amps))
			return
		}
	}
	if e.marksOnly() {
		e.modeByClock(t)
		return
	}
	since, over := e.startingOver(t)
	if away, ok := e.leftFor(t); ok && e.s.USB.Gone >= e.s.Run.Start && e.s.USB.Left.Mode == bench.Running && away > millis(e.p.Spec(bench.Running).Absence()) {
		if !e.perhapsRestarting(t) { // it was no start
			since, over = e.s.USB.Gone, true
		}
	}
	switch {
	case !e.st.Hookup.USB:
		e.open(e.mask(e.ups)|e.bit(bench.Starting)|e.bit(bench.Unknown), since)
	case m.Mode != bench.Starting || over:
		e.open(e.mask(e.silent)|e.bit(bench.Unknown), since)
	}
}

// cableOut reports that a board which ran has left the bus and goes on drawing
// what it drew: nothing speaks for another mode.
func (e *Engine) cableOut() bool {
	l := &e.s.USB.Left
	return (l.Mode == bench.Running || l.Mode == bench.Asleep) && e.s.Mode.Mode == l.Mode && !l.changed()
}

// maybeRestarting reports a board that left a mode with planned restarts, or one
// that ran and whose current is another one since, and that draws what a start
// draws for no longer than a start may last.
func (e *Engine) maybeRestarting(away ms) bool {
	left, start := e.p.Spec(e.s.USB.Left.Mode), e.p.Spec(bench.Starting)
	if left == nil || start == nil || start.Most > 0 && away > millis(start.Most) {
		return false
	}
	if !left.Restarts && !(left.Mode == bench.Running && e.s.USB.Left.changed()) {
		return false
	}
	level, ok := e.s.Power.Level.Get()
	return ok && holds(start, e.st.Hookup, level)
}

// modeByClock ends the starting of a station that has only marks.
func (e *Engine) modeByClock(t ms) {
	if e.s.Mode.Mode != bench.Starting {
		return
	}
	if since, over := e.startingOver(t); over {
		e.setMode(bench.Unknown, since, "by the clock alone: nobody has said what the screen shows now")
	}
}

// startingOver reports when starting ended by the clock, which is all there is
// where no port is watched, and otherwise since when the bus tells nothing.
func (e *Engine) startingOver(t ms) (ms, bool) {
	m := &e.s.Mode
	if m.Mode != bench.Starting {
		return max(e.s.USB.Gone, m.Since, e.s.Run.Start), true
	}
	if e.st.Hookup.USB {
		return 0, false
	}
	end := m.Since + millis(e.p.Spec(bench.Starting).Typical)
	return end, t >= end
}

// setMode declares a mode from the given moment on.
func (e *Engine) setMode(to bench.Mode, since ms, why ...string) {
	m := &e.s.Mode
	if m.Mode == to {
		return
	}
	from := m.Mode
	r := &e.s.Run
	if r.Active {
		since = max(since, r.Start)
	}
	*m = modeState{Mode: to, Since: since}
	e.s.Power.Levels, e.s.Power.Spread = 0, 0
	if r.Active && r.Origin == 0 && from == bench.Starting {
		r.Origin = max(since, r.NotBefore)
	}
	if r.Active {
		e.s.Move.Last = max(e.s.Move.Last, since)
	}
	e.emit(bench.ModeChanged, since, bench.EventData{From: from, To: to, Mode: to, Uptime: e.uptime(since), Why: why})
}

// checkHung tells that a start lasts longer than it may.
func (e *Engine) checkHung(t ms) {
	m, s := &e.s.Mode, e.p.Spec(bench.Starting)
	if m.Mode != bench.Starting || m.Hung || s.Most == 0 || !e.s.Run.Active || e.s.Gap.Open {
		return
	}
	at := max(m.Since, e.s.Gap.To) + millis(s.Most)
	if t <= at {
		return
	}
	m.Hung = true
	e.emit(bench.StartHung, at, bench.EventData{Mode: bench.Starting, Uptime: e.uptime(at), Why: e.whyHung()})
}

func among(specs []*profile.Spec, m bench.Mode) bool {
	for _, s := range specs {
		if s.Mode == m {
			return true
		}
	}
	return false
}

func holds(s *profile.Spec, h bench.Hookup, c unit.Current) bool {
	if s == nil {
		return false
	}
	b, ok := s.Band(h)
	return ok && b.Contains(c)
}
