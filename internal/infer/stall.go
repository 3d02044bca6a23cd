package infer

import (
	"math"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
	"benchvigil/internal/stats"
	"benchvigil/internal/unit"
)

// second sums up the readings of one second.
type second struct {
	level unit.Current // their median
	swing unit.Current // from the 10th to the 90th percentile
	step  unit.Current // mean change from one reading to the next
	n     int
}

// What counts as movement of the current. A board that works swings within the
// second by more than a supply's noise and a board's idle ripple; and a level
// that leaves its course by more than these allow is a movement too.
const (
	swingFloor = 80 * unit.Milliampere
	swingShare = 0.25
	swingNoise = 3.0 // times the mean step from one reading to the next; normal noise swings 2.3 of them
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

// worked reports a swing that is more than noise, which jumps from reading to
// reading; what a board does lasts longer. For normal noise of one standard
// deviation the mean step is 2/sqrt(pi), and the swing 2.56.
func (s second) worked() bool {
	return s.lively() && float64(s.swing) > swingNoise*float64(s.step)
}

// shifted reports that the level left its course by more than noise does.
// For normal noise the swing is 2.56 standard deviations, and the median of n
// readings has a standard error of 1.25/sqrt(n) of them.
func (s second) shifted(course unit.Current) bool {
	se := float64(s.swing) / 2.56 * 1.25 / math.Sqrt(float64(s.n))
	return max(s.level-course, course-s.level) > max(shiftFloor, scale(course, shiftShare), unit.Current(shiftSigma*se))
}

func scale(c unit.Current, by float64) unit.Current { return unit.Current(float64(c) * by) }

// hintFor is how soon a second second must look like movement: one alone is a
// spike.
const hintFor ms = 3000

// trafficFresh is how old a traffic count may be and still be evidence that
// the bus can be seen.
const trafficFresh ms = 10_000

// Traffic that moves a restore comes at the rate its family shows or faster;
// what a host asks a device that stands still is a few transfers now and then.
const (
	usualRate  = 5.0 // URBs a second that a restore shows at least, where the profile does not say
	idleShare  = 0.2 // of that, at most, when it stands still
	trafficErr = 1e-4
)

var trafficTest = stats.NewWald(trafficErr, trafficErr)

// traffic takes the count of URBs. A counter that starts again is not movement.
func (e *Engine) traffic(t ms, f bench.Traffic) {
	u := &e.s.USB
	last, known := u.URBs.Get()
	if known && t > u.Counted && f.URBs >= last {
		e.weighTraffic(float64(f.URBs-last) * 1000 / float64(t-u.Counted))
		e.trafficMoves(t, f.URBs-last, t-u.Counted)
	}
	u.URBs, u.Counted = unit.Some(f.URBs), t
}

// trafficMoves is a sequential test of a bus at work against one that stands
// still, begun anew whenever it speaks for standing still (Page's CUSUM).
func (e *Engine) trafficMoves(t ms, n uint64, span ms) {
	m, rate := &e.s.Move, e.workRate()
	ratio := stats.PoissonRatio(int(min(n, 1e6)), float64(span)/1000, idleShare*rate, rate)
	m.Busy = min(max(m.Busy+ratio, 0), trafficTest.Upper)
	if trafficTest.Judge(m.Busy) == stats.ForP1 && ratio > 0 {
		e.moved(t)
	}
}

// workRate is the least rate of transfers, in URBs a second, of a board at work.
func (e *Engine) workRate() float64 {
	spec := e.p.Spec(e.s.Mode.Mode)
	if spec == nil {
		return usualRate
	}
	return max(spec.Traffic.Or(profile.Rates{Low: usualRate}).Low, 1)
}

// currentMoves asks whether the current moved in the second that began at from.
// The course that it is compared with follows the level and its slope, so that
// neither drift nor a slow decay is movement (Holt's linear smoothing).
func (e *Engine) currentMoves(from ms, now second) {
	m := &e.s.Move
	ref, ok := m.Ref.Get()
	if !ok {
		m.Ref, m.Slope = unit.Some(now.level), 0
		return
	}
	m.Lively = now.lively()
	course := max(ref+m.Slope, 0)
	if m.Lively && (now.worked() || !e.trafficTells(from)) || now.shifted(course) {
		hint := m.Hint
		m.Hint = from
		if hint != 0 && from-hint <= hintFor {
			m.Ref, m.Slope = unit.Some(now.level), 0
			if !e.copying() || !e.countsTraffic(from) { // a board that runs moves without a copy
				e.moved(from)
			}
		}
		return
	}
	off := now.level - course
	m.Ref, m.Slope = unit.Some(course+off/2), m.Slope+off/8
}

// trafficTells reports that the traffic says whether a restore moves, so that a
// current which is only noisy need not.
func (e *Engine) trafficTells(t ms) bool {
	return e.s.Mode.Mode == bench.Restoring && e.countsTraffic(t)
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

// checkStall tells that nothing moved for longer than it may be quiet.
func (e *Engine) checkStall(t ms) {
	m := &e.s.Move
	quiet, since := e.mayBeQuiet()
	if quiet == 0 || t-since <= quiet || !e.s.Run.Active || m.Stalled != 0 || e.s.Down.Since != 0 || !e.movementInSight(t) {
		return
	}
	m.Stalled = since
	e.s.Counts.Stalls++
	e.emit(bench.StallRaised, since, bench.EventData{Mode: e.s.Mode.Mode, Uptime: e.uptime(since), Why: e.whyStalled(t, since)})
}

// mayBeQuiet is how long what is under way may stand still, 0 for ever, and
// since when it does.
func (e *Engine) mayBeQuiet() (quiet, since ms) {
	switch mode := e.s.Mode.Mode; {
	case mode == bench.Restoring || mode == bench.RePairing:
		return e.quietLimit(e.p.Spec(mode)), e.s.Move.Last
	case e.copying() && up(mode):
		return millis(profile.DefaultQuiet), max(e.s.Move.Last, e.s.Watch.Armed)
	}
	return 0, 0
}

// movementInSight reports that a movement would have been seen.
func (e *Engine) movementInSight(t ms) bool {
	return !e.blind(t) || e.countsTraffic(t)
}

func (e *Engine) countsTraffic(t ms) bool {
	return e.s.USB.Counted != 0 && t-e.s.USB.Counted <= trafficFresh
}
