package infer

import (
	"cmp"
	"math"
	"slices"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
	"benchvigil/internal/stats"
	"benchvigil/internal/unit"
)

// How much the evidence weighs. Readings that follow each other tell nearly the
// same: a board's own swings last for seconds. So each counts for a part of an
// independent one, by the time since the one before.
const (
	ampsPerSecond    = 3.0    // independent readings in a second
	levelWeight      = 2.0    // the level of a whole second, when modes are taken up
	livelyWeight     = 0.5    // of an independent second
	trafficWeight    = 0.15   // of an independent count
	newsFor          = 10     // seconds for which calm, or a silent bus, is news
	oldNews          = 30     // so many times less do they weigh after that
	busy             = 1.0    // transfers a second that are more than none
	evidenceMost     = 4.0    // what one piece may speak against a mode, in nats
	evidenceKept     = 50     // nats of evidence for a mode that are remembered
	spoken           = 1.0    // nats that must speak for a change: time alone tells none but the end of a start
	spokenAgainst    = 40.0   // against what somebody saw
	mayBe            = 0.01   // what is believed less is out of the question
	believed         = 0.6    // a mode is declared at this,
	doubted          = 0.2    // when the one in force is below this,
	holdSteps        = 3      // for so many steps
	seenWeight       = 3.0    // of what somebody saw on the screen
	anew          ms = 60_000 // a device that came so lately came anew
	mostSteps        = 600    // are made at once, after a silence
	slowPeriod    ms = 250    // readings that are further apart are rare
)

// beliefState is what the filter believes while the evidence leaves several
// modes open, and since when the evidence speaks for each.
type beliefState struct {
	Open  uint32       // the modes that are open, a bit each; 0: the mode is certain
	P     []float64    `json:",omitempty"` // of each state of the model
	For   []float64    `json:",omitempty"` // evidence in a row for each mode against the declared one, nats
	Since []ms         `json:",omitempty"` // when that began
	Step  ms           // grid points since the first observation that were weighed
	Lead  int          // the mode that leads, an index
	Steps int          // for how many steps
	Sum   unit.Current // of the readings since the last step
	N     int
	First ms        // the first of them
	Tail  [5]sample // of the last steps, newest first
	Kept  int       // so many of them
	Last  ms        // the step in which readings were weighed last
	Calm  int       // seconds in a row without a swing
	Still int       // and counts without traffic
}

func (b beliefState) clone() beliefState {
	b.P, b.For, b.Since = slices.Clone(b.P), slices.Clone(b.For), slices.Clone(b.Since)
	return b
}

// takeUpBelief makes the filter and gives it what was believed, where a saved
// belief fits the model.
func (e *Engine) takeUpBelief() {
	m, b := e.m, &e.s.Belief
	e.lik, e.logs = make([]float64, m.chain.States()), make([]float64, len(m.modes))
	e.lik[m.first[len(m.modes)-1]] = 1
	e.filter, _ = stats.NewFilter(m.chain, e.lik) // unknown is a state of every model
	if len(b.For) != len(m.modes) || len(b.Since) != len(m.modes) || e.filter.Restart(b.P) != nil {
		*b = beliefState{For: make([]float64, len(m.modes)), Since: make([]ms, len(m.modes)), Lead: -1}
	}
}

// convince makes a mode that a person saw believed, as far as people err.
func (e *Engine) convince(m bench.Mode) {
	const share = 0.98
	now := e.m.index(m)
	if !e.isOpen(now) {
		return
	}
	for i := range e.logs {
		e.logs[i] = logOf(share, i == now)
	}
	e.weighLogs(seenWeight)
}

// open begins or goes on to weigh the given modes against each other, and
// declares one at once when the mode in force is not among them.
func (e *Engine) open(mask uint32, since ms) {
	e.weighing = true
	if mask != e.s.Belief.Open {
		e.restrict(mask)
	}
	if !e.isOpen(e.m.index(e.s.Mode.Mode)) {
		e.enter(since)
	}
}

func (e *Engine) isOpen(i int) bool { return e.s.Belief.Open&(1<<i) != 0 }

// restrict takes up a set of modes. What was believed of them stays; where
// nothing was, it is what usually follows the mode in force.
func (e *Engine) restrict(mask uint32) {
	b, m := &e.s.Belief, e.m
	now := m.index(e.s.Mode.Mode)
	fresh := b.Open == 0 || mask&(1<<now) == 0
	b.Open = mask
	b.Lead, b.Steps = -1, 0
	clear(b.For)
	e.prior(now, fresh)
	if e.filter.Restart(e.lik) != nil { // nothing believed: the model knows no way there
		e.prior(now, true)
		_ = e.filter.Restart(e.lik)
	}
	if level, ok := e.s.Power.Level.Get(); ok && fresh {
		e.weighAmps(e.s.Now, level, levelWeight)
	}
}

// prior fills in what is believed of each state when a set of modes is taken
// up: what was, or afresh.
func (e *Engine) prior(now int, fresh bool) {
	m, b := e.m, &e.s.Belief
	weights, _ := m.after(now)
	weights[now] = e.goesOn(now)
	p := e.filter.Posterior()
	for i := range m.modes {
		for c := m.first[i]; c < m.first[i+1]; c++ {
			switch {
			case b.Open&(1<<i) == 0:
				e.lik[c] = 0
			case !fresh:
				e.lik[c] = p[c]
			case c == m.first[i]:
				e.lik[c] = weights[i]
			default:
				e.lik[c] = 0
			}
		}
	}
}

// goesOn is the weight of the mode in force among those that may follow it: it
// goes on, most likely. A device that has just come back from re-pairing may as
// well be through with it.
func (e *Engine) goesOn(now int) float64 {
	if e.m.modes[now].Mode == bench.RePairing && e.s.USB.Since == e.s.Now {
		return often
	}
	return often * often
}

// stopWeighing ends the weighing where rules, and no odds, say what the mode is.
func (e *Engine) stopWeighing() {
	if b := &e.s.Belief; !e.weighing && b.Open != 0 {
		b.Open, b.Lead, b.Steps, b.Sum, b.N, b.Kept = 0, -1, 0, 0, 0, 0
	}
}

// enter declares the likeliest of the open modes, because the one in force is
// impossible now.
func (e *Engine) enter(since ms) {
	best, p := e.best()
	if last := len(e.m.modes) - 1; p < believed && e.isOpen(last) {
		best = last
	}
	e.tellMode(e.m.modes[best].Mode, since)
}

// tellMode declares a mode that the filter chose.
func (e *Engine) tellMode(mode bench.Mode, since ms) {
	why := []string{e.whyNothing(e.s.Now)}
	if mode != bench.Unknown {
		why = e.whyBelieved(mode)
	}
	clear(e.s.Belief.For)
	e.setMode(mode, since, why...)
}

// best is the likeliest mode and how likely it is.
func (e *Engine) best() (best int, p float64) {
	for i := range e.m.modes {
		if q := e.believes(i); q > p {
			best, p = i, q
		}
	}
	return best, p
}

// believes is how likely a mode is.
func (e *Engine) believes(i int) (p float64) {
	for _, q := range e.filter.Posterior()[e.m.first[i]:e.m.first[i+1]] {
		p += q
	}
	return p
}

// gather keeps a reading for the next step.
func (e *Engine) gather(t ms, amps unit.Current) {
	b := &e.s.Belief
	if b.Open == 0 {
		return
	}
	if b.N == 0 {
		b.First = t
	}
	b.Sum += amps
	b.N++
}

// weigh lets the filter go on to t in steps of a tenth of a second. What was
// read since the last step is evidence; without evidence a step is prediction
// alone.
func (e *Engine) weigh(t ms) {
	b := &e.s.Belief
	step := (t - e.s.First) / grid
	n := min(step-b.Step, mostSteps)
	if b.Step += max(step-b.Step, 0); b.Open == 0 || n <= 0 {
		return
	}
	for range n {
		e.filter.Predict()
	}
	if b.N > 0 {
		weight := min(ampsPerSecond*float64(max(t-b.Last, grid))/1000, 1)
		b.push(sample{At: b.First, Amps: b.Sum / unit.Current(b.N)})
		mid := b.middle(e.s.Power.Period)
		e.weighAmps(mid.At, mid.Amps, weight)
		b.Sum, b.N, b.Last = 0, 0, t
	} else {
		clear(e.logs)
		e.weighLogs(1)
	}
	e.declareBelieved(t, int(n))
}

// sample is what was read in one step.
type sample struct {
	At   ms
	Amps unit.Current
}

func (b *beliefState) push(s sample) {
	copy(b.Tail[1:], b.Tail[:])
	b.Tail[0] = s
	b.Kept = min(b.Kept+1, len(b.Tail))
}

// middle is the median of the last samples, and when they were read: one reading
// in ten lies outside of its mode's band, and is no evidence against it. Where
// readings are rare, fewer have to do.
func (b *beliefState) middle(period ms) sample {
	n := min(b.Kept, len(b.Tail))
	if period > slowPeriod {
		n = min(n, 3)
	}
	tail := b.Tail
	at := tail[n/2].At
	slices.SortFunc(tail[:n], func(x, y sample) int { return cmp.Compare(x.Amps, y.Amps) })
	return sample{At: at, Amps: tail[n/2].Amps}
}

// weighAmps takes a current that was read since t as evidence.
func (e *Engine) weighAmps(t ms, c unit.Current, weight float64) {
	for i := range e.logs {
		e.logs[i] = e.m.bands[i].log(c)
	}
	e.weighLogs(weight)
	e.follow(t)
}

// weighSecond takes how the current moved within a second.
func (e *Engine) weighSecond(lively bool) {
	b := &e.s.Belief
	b.Calm = again(b.Calm, !lively)
	if b.Open == 0 {
		return
	}
	for i, m := range e.m.modes {
		e.logs[i] = logOf(livelyShare(m.Mode), lively)
	}
	e.weighLogs(livelyWeight * news(b.Calm))
	e.follow(e.s.Now)
}

// weighTraffic takes a rate of transfers a second.
func (e *Engine) weighTraffic(rate float64) {
	b := &e.s.Belief
	b.Still = again(b.Still, rate == 0)
	if b.Open == 0 {
		return
	}
	for i, m := range e.m.modes {
		e.logs[i] = trafficLog(m, rate)
	}
	e.weighLogs(trafficWeight * news(b.Still))
	e.follow(e.s.Now)
}

// again counts how often something happened in a row.
func again(n int, happened bool) int {
	if happened {
		return n + 1
	}
	return 0
}

// news is how much the n-th second in a row of the same weighs: that nothing
// happens is one happening, and not a new one every second.
func news(n int) float64 {
	if n > newsFor {
		return 1.0 / oldNews
	}
	return 1
}

// weighLogs takes evidence, whose likelihood for each mode stands in logs as a
// logarithm, with the given weight.
func (e *Engine) weighLogs(weight float64) {
	best := math.Inf(-1)
	for i, l := range e.logs {
		if e.isOpen(i) {
			best = max(best, l)
		}
	}
	for i, l := range e.logs {
		e.logs[i] = weight * max(l-best, -evidenceMost)
		e.fill(i, 0)
		if e.isOpen(i) {
			e.fill(i, math.Exp(e.logs[i]))
		}
	}
	e.filter.Update(e.lik)
}

// fill sets the likelihood of all states of a mode.
func (e *Engine) fill(i int, p float64) {
	for c := e.m.first[i]; c < e.m.first[i+1]; c++ {
		e.lik[c] = p
	}
}

// follow keeps since when the evidence, which began at t, speaks for each mode
// against the declared one, as a CUSUM does: the last time that it was as good for
// either is the likeliest moment of a change.
func (e *Engine) follow(t ms) {
	b, now := &e.s.Belief, e.logs[e.m.index(e.s.Mode.Mode)]
	for i, l := range e.logs {
		gain := l - now
		if b.For[i] == 0 && gain > 0 {
			b.Since[i] = t
		}
		b.For[i] = min(max(b.For[i]+gain, 0), evidenceKept)
	}
}

// declareBelieved declares a mode that is believed while the one in force is
// not, and has been so for some steps.
func (e *Engine) declareBelieved(t ms, n int) {
	b := &e.s.Belief
	best, p := e.best()
	if b.Open == 0 || p < believed || e.believes(e.m.index(e.s.Mode.Mode)) > doubted {
		b.Steps = 0
		return
	}
	if best != b.Lead {
		b.Lead, b.Steps = best, 0
	}
	if b.For[best] < e.mustSpeak(e.m.modes[best].Mode) {
		return
	}
	if b.Steps += n; b.Steps >= holdSteps {
		e.tellMode(e.m.modes[best].Mode, e.changedAt(best, t))
	}
}

// softly reports that a device may pass from one mode to the other while it
// stays on the bus: to sleep and back, and from waiting for a restore to the
// restore. What else shares an identity begins with a start, with the device
// coming anew, or with what a person saw.
func (e *Engine) softly(from, to bench.Mode) bool {
	switch {
	case from == bench.Unknown || from == bench.Starting || from == bench.Asleep || to == bench.Asleep:
		return true
	case to == bench.Restoring && (from == bench.Recovery || from == bench.Loader):
		return true
	}
	return e.s.USB.Since > e.s.Mode.Since && e.s.Now-e.s.USB.Since <= anew
}

// mustSpeak is how much evidence a change takes beside what is believed. A mode
// that a person saw is not given up lightly until the device comes anew.
func (e *Engine) mustSpeak(to bench.Mode) float64 {
	m := &e.s.Mode
	switch {
	case e.s.USB.Present && !e.softly(m.Mode, to):
		return math.Inf(1)
	case m.Mode == bench.Starting:
		return 0
	case e.s.Screen.At != 0 && e.s.Screen.At >= max(m.Since, e.s.USB.Since):
		return spokenAgainst
	}
	return spoken
}

// changedAt is when the mode in force gave way to another: when the evidence
// began to speak for it, or when a start was over by the clock.
func (e *Engine) changedAt(i int, t ms) ms {
	b, m := &e.s.Belief, &e.s.Mode
	switch {
	case b.For[i] > 0:
		t = b.Since[i]
	case m.Mode == bench.Starting:
		t = min(t, m.Since+millis(e.p.Spec(bench.Starting).Typical))
	}
	return max(t, m.Since)
}

// livelyShare is in how many of its seconds a mode's current swings: common
// practice, and no more than an order of magnitude. It tells sleep from the
// others, which boards show in too many ways to be told apart by it.
func livelyShare(m bench.Mode) float64 {
	switch m {
	case bench.Off, bench.Standby, bench.Asleep:
		return 0.05
	}
	return 0.4
}

func logOf(p float64, yes bool) float64 {
	if !yes {
		p = 1 - p
	}
	return math.Log(p)
}

// trafficLog is how likely a mode shows a rate of transfers, as a logarithm. A
// mode without a usual band may show any.
func trafficLog(m *profile.Spec, rate float64) float64 {
	usual, ok := m.Traffic.Get()
	switch {
	case !ok && m.Mode == bench.Asleep:
		return logOf(0.1, rate >= busy)
	case !ok:
		return logOf(0.4, rate >= busy)
	case rate < usual.Low:
		return math.Log(0.15)
	case rate > usual.High:
		return math.Log(0.02)
	}
	return math.Log(0.83)
}
