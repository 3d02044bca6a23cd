package infer

import (
	"math"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// second sums up the readings of one second.
type second struct {
	level unit.Current // their median
	swing unit.Current // from the 10th to the 90th percentile
	n     int
}

// What counts as movement of the current. A board that works swings within the
// second by more than a supply's noise and a board's idle ripple; and a level
// that shifts by more than these allow is a movement too.
const (
	swingFloor = 80 * unit.Milliampere
	swingShare = 0.25
	shiftFloor = 20 * unit.Milliampere
	shiftShare = 0.05
	shiftSigma = 6 // standard errors of a second's median
	leftFloor  = 50 * unit.Milliampere
	leftShare  = 0.25 // a change since the device left the bus
)

// lively reports that the current swung within the second.
func (s second) lively() bool {
	return s.swing > max(swingFloor, scale(s.level, swingShare))
}

// shifted reports that the level moved away from ref by more than noise does.
// For normal noise the swing is 2.56 standard deviations, and the median of n
// readings has a standard error of 1.25/sqrt(n) of them.
func (s second) shifted(ref unit.Current) bool {
	se := float64(s.swing) / 2.56 * 1.25 / math.Sqrt(float64(s.n))
	return max(s.level-ref, ref-s.level) > max(shiftFloor, scale(ref, shiftShare), unit.Current(shiftSigma*se))
}

func scale(c unit.Current, by float64) unit.Current { return unit.Current(float64(c) * by) }

// hintFor is how soon a second second must look like movement: one alone is a
// spike.
const hintFor ms = 3000

// trafficFresh is how old a traffic count may be and still be evidence that
// the bus can be seen.
const trafficFresh ms = 10_000

// traffic takes the count of URBs. A counter that starts again is not movement.
func (e *Engine) traffic(t ms, f bench.Traffic) {
	u := &e.s.USB
	last, known := u.URBs.Get()
	if known && t > u.Counted && f.URBs >= last {
		e.weighTraffic(float64(f.URBs-last) * 1000 / float64(t-u.Counted))
	}
	u.URBs, u.Counted = unit.Some(f.URBs), t
	if known && f.URBs > last {
		e.moved(t)
	}
}

// currentMoves asks whether the current moved in the second that began at from.
// The level that it is compared with follows slowly, so that drift is not
// movement.
func (e *Engine) currentMoves(from ms, now second) {
	m := &e.s.Move
	ref, ok := m.Ref.Get()
	if !ok {
		m.Ref = unit.Some(now.level)
		return
	}
	m.Lively = now.lively()
	if m.Lively || now.shifted(ref) {
		hint := m.Hint
		m.Hint = from
		if hint != 0 && from-hint <= hintFor {
			m.Ref = unit.Some(now.level)
			e.moved(from)
		}
		return
	}
	m.Ref = unit.Some(ref + (now.level-ref)/8)
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
	quiet := e.quietLimit(e.p.Spec(mode))
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
