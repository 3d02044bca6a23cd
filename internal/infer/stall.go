package infer

import (
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// What counts as movement of the current: a change of its level beyond the
// larger of the two. An instrument's last digit and a board's idle ripple stay
// below; a restore that works moves by more all the time.
const (
	moveFloor = 20 * unit.Milliampere
	moveShare = 20 // one part in
)

// trafficFresh is how old a traffic count may be and still be evidence that
// the bus can be seen.
const trafficFresh ms = 10_000

// traffic takes the count of URBs. A counter that starts again is not movement.
func (e *Engine) traffic(t ms, f bench.Traffic) {
	u := &e.s.USB
	last, known := u.URBs.Get()
	u.URBs, u.Counted = unit.Some(f.URBs), t
	if known && f.URBs > last {
		e.moved(t)
	}
}

// currentMoves compares the level of the second that began at from with the
// level at the last movement.
func (e *Engine) currentMoves(from ms, level unit.Current) {
	m := &e.s.Move
	ref, ok := m.Ref.Get()
	if !ok {
		m.Ref = unit.Some(level)
		return
	}
	if max(level-ref, ref-level) > max(moveFloor, ref/moveShare) {
		m.Ref = unit.Some(level)
		e.moved(from)
	}
}

// moved notes a movement and clears a stall.
func (e *Engine) moved(t ms) {
	m := &e.s.Move
	m.Last = max(m.Last, t)
	if m.Stalled == 0 {
		return
	}
	e.emit(bench.StallCleared, t, bench.EventData{Mode: e.s.Mode.Mode, Uptime: e.uptime(t), Why: []string{
		say("it moves again after %s", (t - m.Stalled).words()),
	}})
	m.Stalled = 0
}

// checkStall tells that nothing moved for longer than the mode may be quiet.
func (e *Engine) checkStall(t ms) {
	m := &e.s.Move
	mode := e.s.Mode.Mode
	if mode != bench.Restoring && mode != bench.RePairing || !e.s.Run.Active || m.Stalled != 0 || e.s.Down.Since != 0 {
		return
	}
	quiet := millis(e.p.Spec(mode).Quiet)
	if quiet == 0 || t-m.Last <= quiet || !e.movementInSight(t) {
		return
	}
	m.Stalled = m.Last
	e.s.Counts.Stalls++
	e.emit(bench.StallRaised, m.Last, bench.EventData{Mode: mode, Uptime: e.uptime(m.Last), Why: e.whyStalled(t)})
}

// movementInSight reports that a movement would have been seen.
func (e *Engine) movementInSight(t ms) bool {
	return !e.blind(t) || e.countsTraffic(t)
}

func (e *Engine) countsTraffic(t ms) bool {
	return e.s.USB.Counted != 0 && t-e.s.USB.Counted <= trafficFresh
}
