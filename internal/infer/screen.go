package infer

import "benchvigil/internal/bench"

// screenModes says which modes a screen speaks for, the likeliest first. A
// blank screen speaks for sleep, and for nothing on a board that does not
// sleep: many boards in repair have no screen that works.
var screenModes = map[bench.Screen][]bench.Mode{
	bench.ScreenBlank:    {bench.Asleep},
	bench.ScreenLogo:     {bench.Starting},
	bench.ScreenLock:     {bench.Running},
	bench.ScreenRepair:   {bench.RePairing, bench.Running},
	bench.ScreenDelay:    {bench.Running},
	bench.ScreenTrust:    {bench.Running},
	bench.ScreenUnlocked: {bench.Running},
	bench.ScreenProgress: {bench.Restoring, bench.RePairing},
}

// seen takes a screen that somebody marked.
func (e *Engine) seen(t ms, m bench.Mark) {
	s := bench.Screen(m.Text)
	e.s.Screen = screenState{Screen: s, At: t, By: m.By}
	e.moved(t)
	if e.marksOnly() {
		e.leadByMark(t, s)
	}
	if mode := e.screenMode(s); mode != "" {
		e.convince(mode)
		e.setMode(mode, t, say("%s saw: %s", orSomebody(m.By), s))
	}
}

// marksOnly reports a station with neither readings nor a port: there the
// marks are all there is.
func (e *Engine) marksOnly() bool {
	return e.st.Hookup.Path == bench.FromBattery && !e.st.Hookup.USB
}

// leadByMark starts and ends the runs of a station that has only marks: what
// shows something is up, and what is blank is down.
func (e *Engine) leadByMark(t ms, s bench.Screen) {
	switch {
	case s != bench.ScreenBlank && !e.s.Run.Active:
		e.s.Run.Blocked = false
		e.begin(t, e.s.Last.End == 0, say("somebody saw: %s", s))
		if s == bench.ScreenLogo && e.p.Spec(bench.Starting) != nil && !e.p.WindowFromPower {
			e.s.Run.Origin = 0 // it starts: the window counts from the end of that
		}
	case s == bench.ScreenBlank && e.s.Run.Active:
		e.s.Down = downState{Since: t, Why: "somebody saw a blank screen"}
	}
}

// screenMode is the mode that a screen speaks for where the other evidence
// leaves it open, or nothing.
func (e *Engine) screenMode(s bench.Screen) bench.Mode {
	if !e.s.Run.Active || e.s.Down.Since != 0 {
		return ""
	}
	for _, m := range screenModes[s] {
		if e.p.Spec(m) != nil && e.leavesOpen(m) {
			return m
		}
	}
	return ""
}

// leavesOpen reports that neither the identity on the bus nor its absence
// speaks against the mode.
func (e *Engine) leavesOpen(m bench.Mode) bool {
	switch {
	case e.identified(e.s.Now):
		return among(e.shown(), m)
	case !e.st.Hookup.USB:
		return true
	case m == bench.Starting:
		return !up(e.s.Mode.Mode)
	}
	return among(e.silent, m)
}
