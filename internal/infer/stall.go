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
	leftShare  = 0.25                  // a change since the device left the bus,
	leftSpread = 2                     // and so many times what the level changed by before,
	movesFloor = 10 * unit.Milliampere // from one second to the next, since then
	movesShare = 0.08
	leftFresh  = 0.5 // or this where that is not known yet
)

// A board at work is lively and off its mean level in more than this share of
// the seconds, smoothed over so many of them.
const (
	oftenSeconds = 16
	oftenLively  = 0.3
	meanSeconds  = 6
	wanderShare  = 0.12
)

// lively reports that the current swung within the second.
func (s second) lively() bool {
	return s.swing > max(swingFloor, scale(s.level, swingShare))
}

// worked reports a swing that is more than noise, which jumps from reading to
// reading; what a board does lasts longer. For normal noise of one standard
// deviation the mean step is 2/sqrt(pi), and the swing 2.56. Few readings in a
// second cannot tell the two apart.
func (s second) worked() bool {
	return s.lively() && (s.n < 5 || float64(s.swing) > swingNoise*float64(s.step))
}

// shifted reports that the level left its course by more than noise does, whose
// mean step is given. For normal noise the swing is 2.56 standard deviations,
// the mean step 1.13, and the median of n readings has a standard error of
// 1.25/sqrt(n) of them.
func (s second) shifted(course unit.Current, noise float64) bool {
	sigma := max(float64(s.swing)/2.56, noise/1.13)
	se := sigma * 1.25 / math.Sqrt(float64(s.n))
	return max(s.level-course, course-s.level) > max(shiftFloor, scale(course, shiftShare), unit.Current(shiftSigma*se))
}

func scale(c unit.Current, by float64) unit.Current { return unit.Current(float64(c) * by) }

// How many seconds must look like movement, and how soon after each other.
const (
	hintFor    = ms(3000)
	hintsFor   = 2
	hintsAgain = 5 // while a stall stands
)

// trafficFresh is how old a traffic count may be and still be evidence that
// the bus can be seen.
const trafficFresh ms = 10_000

// Traffic that moves a restore comes at the rate its family shows or faster;
// what a host asks a device that stands still is a few transfers now and then.
const (
	usualRate   = 5.0  // URBs a second that a restore shows at least, where the profile does not say
	fastestPoll = 20.0 // no host asks a device that stands still more often
	idleShare   = 0.5  // of the least rate, at most, when it stands still
	trafficErr  = 1e-4
	trafficMay  = 2.0    // nats from which on the test may yet speak for work
	trafficWait = 25_000 // ms that it is waited for
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
	m.Busy = max(m.Busy+ratio, 0)
	if trafficTest.Judge(m.Busy) == stats.ForP1 {
		m.Busy = 0
		e.moved(t)
	}
}

// workRate is the least rate of transfers, in URBs a second, of a board at work.
func (e *Engine) workRate() float64 {
	spec := e.p.Spec(e.s.Mode.Mode)
	if spec == nil {
		return usualRate
	}
	return min(max(spec.Traffic.Or(profile.Rates{Low: usualRate}).Low, 1), fastestPoll)
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
	m.wander(now.level)
	moves := m.Lively && (now.worked() || m.Often > oftenLively || !e.trafficTells(from)) || now.shifted(course, m.Noise)
	m.Noise += (float64(now.step) - m.Noise) / 8
	if moves {
		e.hint(from, now.level)
		return
	}
	off := now.level - course
	m.Ref, m.Slope = unit.Some(course+off/2), m.Slope+off/8
}

// hint notes a second that looks like movement. One alone is a spike; a stall
// that was told takes more. A board that runs moves without a copy, and one that
// goes down does not move.
func (e *Engine) hint(from ms, level unit.Current) {
	m := &e.s.Move
	if m.Hint == 0 || from-m.Hint > hintFor {
		m.Hints = 0
	}
	m.Hint = from
	m.Hints++
	if m.Hints < hintsFor || m.Stalled != 0 && m.Hints < hintsAgain {
		return
	}
	m.Ref, m.Slope = unit.Some(level), 0
	if level > e.p.StartsAbove && !(e.copying() && e.countsTraffic(from)) {
		e.moved(from)
	}
}

// wander follows the share of the seconds that were lively and off their mean:
// ripple swings about one level, a board at work goes from one to another.
func (m *moveState) wander(level unit.Current) {
	if m.Mean == 0 {
		m.Mean = level
	}
	x := 0.0
	if m.Lively && max(level-m.Mean, m.Mean-level) > scale(m.Mean, wanderShare) {
		x = 1
	}
	m.Often += (x - m.Often) / oftenSeconds
	m.Mean += (level - m.Mean) / meanSeconds
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

// stallBefore clears a stall of the run before one that began while nobody
// watched. Nothing was seen to move.
func (e *Engine) stallBefore() {
	g, m := &e.s.Gap, &e.s.Move
	if m.Stalled == 0 {
		return
	}
	e.emit(bench.StallCleared, g.To, bench.EventData{
		Kind: bench.Unproven, Mode: e.s.Mode.Mode, Uptime: e.uptime(g.From), Why: []string{"another run began while nobody watched"},
	})
	m.Stalled = 0
}

// checkStall tells that nothing moved for longer than it may be quiet.
func (e *Engine) checkStall(t ms) {
	m := &e.s.Move
	quiet, since := e.mayBeQuiet()
	if quiet > 0 && m.Busy >= trafficMay {
		quiet += trafficWait
	}
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
