package infer

import (
	"slices"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
	"benchvigil/internal/stats"
	"benchvigil/internal/unit"
)

// The current is charted against its own level in the first seconds of a mode,
// in units of what means nothing: its spread, a share of the level, half of what
// the instrument resolves. A shift of less than two units, a tenth of the level, is
// never told; one of a fifth after 45 s. Each second counts for six units at
// most, so that a board that wakes now and then does not drift.
//
// The board's current wanders: seconds resemble the one before. Noise as large
// as the unit, with a correlation of 0.9 between seconds, is to the chart what
// independent noise is to one with K and H smaller by √((1+0.9)/(1-0.9)) = 4.4;
// that one alarms falsely once in more than 10,000 hours, as a test computes.
const (
	ownSeconds = 30
	ownShare   = 0.05
	ownFloor   = 1 * unit.Milliampere
	ownSteady  = 4 // a level that spreads by more than a quarter of itself is not steady
	mostUnits  = 6
	stepUnits  = 3  // a fall by more from some seconds to the next is sudden
	stepOver   = 5  // as many seconds, on either side
	voltsSame  = 33 // volts that differ by more than one part in so many are others
)

var driftChart = stats.Chart{K: 2, H: 90}

const (
	leakFor         = 60     // seconds in the upper third of the band of standby
	leakOver        = 16     // seconds over which it is smoothed: a coarse instrument flickers
	limitFor        = 3      // seconds above the limit of the mode
	collapseFor     = 2      // seconds with the volts sagging and the supply at its limit
	collapseOver ms = 30_000 // after this without them a collapse is over
)

// currentState is what the current did in the mode in force. What was told is
// told once in a mode.
type currentState struct {
	Own   [ownSeconds]unit.Current // the levels of its first seconds
	N     int                      // how many there are
	Volts unit.Voltage             // at the first of them
	Level unit.Current             // their median
	Top   unit.Current             // the highest such level in this mode
	Unit  unit.Current             // what means nothing; 0: the level was not steady
	Chart stats.CUSUM

	Recent [2 * stepOver]unit.Current // the last levels, in turn
	Seen   int
	Smooth unit.Current // the level of standby

	Leaks, Overs, Sags streak // unbroken seconds of them

	High, Drifting, Collapsed ms // since when, 0 not told
	Kind                      string
}

// watchLevel judges the second that began at from.
func (e *Engine) watchLevel(from ms, now second) {
	c := &e.s.Current
	if e.handsOn(from) || e.s.Down.Since != 0 || from < e.s.Mode.Since {
		c.Leaks, c.Overs, c.Sags = streak{}, streak{}, streak{}
		return
	}
	m := e.p.Spec(e.s.Mode.Mode)
	if m == nil || m.Mode == bench.Off {
		return
	}
	e.watchLimit(from, now, m)
	e.watchLeak(from, now, m)
	e.watchCollapse(from)
	e.watchDrift(from, now)
}

// watchLimit tells a current above what the profile allows in the mode.
func (e *Engine) watchLimit(from ms, now second, m *profile.Spec) {
	c := &e.s.Current
	if m.Limit == 0 || now.level <= m.Limit {
		c.Overs = streak{}
		return
	}
	c.Overs.add(from)
	if c.Overs.N >= limitFor && c.High == 0 {
		e.high(c.Overs.Since, bench.OverLimit, say("%v flows for %d s, the limit in %s is %v", now.level, c.Overs.N, m.Label, m.Limit))
	}
}

// watchLeak tells a standby that draws more than a healthy board does.
func (e *Engine) watchLeak(from ms, now second, m *profile.Spec) {
	c := &e.s.Current
	b, ok := m.Band(e.st.Hookup)
	if !ok || m.Mode != bench.Standby || e.st.Hookup.VBUS {
		return
	}
	if c.Smooth == 0 {
		c.Smooth = now.level
	}
	c.Smooth += (now.level - c.Smooth) / leakOver
	if c.Smooth <= b.High-(b.High-b.Low)/3 {
		c.Leaks = streak{}
		return
	}
	c.Leaks.add(from)
	if c.Leaks.N >= leakFor && c.High == 0 {
		e.high(c.Leaks.Since, bench.Leak,
			say("%v flows in %s for %d s, its band ends at %v", c.Smooth, m.Label, c.Leaks.N, b.High),
			"a healthy board draws next to nothing before it is started: this one leaks (common practice)")
	}
}

func (e *Engine) high(since ms, kind string, why ...string) {
	c := &e.s.Current
	c.High, c.Kind = since, kind
	e.emit(bench.CurrentHigh, since, bench.EventData{Kind: kind, Mode: e.s.Mode.Mode, Uptime: e.uptime(since), Why: why})
}

// watchCollapse tells that the supply can give no more and the volts fall.
func (e *Engine) watchCollapse(from ms) {
	c, s := &e.s.Current, &e.s.Power
	if s.Sag < from || s.AtMax < from {
		if c.Collapsed != 0 && from-max(s.Sag, s.AtMax) > collapseOver {
			c.Collapsed = 0 // the next is another one
		}
		c.Sags = streak{}
		return
	}
	c.Sags.add(from)
	if c.Sags.N < collapseFor || c.Collapsed != 0 {
		return
	}
	c.Collapsed = c.Sags.Since
	e.emit(bench.CurrentCollapsed, c.Collapsed, bench.EventData{Mode: e.s.Mode.Mode, Uptime: e.uptime(c.Collapsed), Why: []string{
		say("the supply sits at its limit of %v", s.Limit.Or(0)),
		say("the volts sagged to %v, where %v is usual", s.SagTo, s.reference()),
	}})
}

// steady reports a mode in which nothing but the board itself changes the
// current: nobody uses it, nothing is copied. Bus power makes the share of the
// supply any.
func (e *Engine) steady() bool {
	switch e.s.Mode.Mode {
	case bench.Standby, bench.Loader, bench.Recovery, bench.Asleep:
		return !e.st.Hookup.VBUS
	}
	return false
}

// watchDrift charts the level. A sudden fall is a light that went out, and the
// level after it the one to keep, until it comes on again; a sudden rise above
// that counts like a slow one.
func (e *Engine) watchDrift(from ms, now second) {
	c := &e.s.Current
	if !e.steady() || c.Drifting != 0 || c.High != 0 {
		return
	}
	if e.otherVolts() {
		c.N, c.Unit, c.Top = 0, 0, 0
	}
	c.Recent[c.Seen%len(c.Recent)] = now.level
	c.Seen++
	switch {
	case c.N < ownSeconds:
		c.learn(now.level)
		return
	case c.Unit == 0:
		return
	case c.fell():
		c.N, c.Unit = 0, 0
		return
	}
	if driftChart.Add(&c.Chart, c.deviation(now.level)) == stats.Neither {
		return
	}
	c.Drifting = from
	e.emit(bench.CurrentDrifting, from, bench.EventData{Mode: e.s.Mode.Mode, Uptime: e.uptime(from), Why: []string{
		say("%v flows, its own level in %s was %v", now.level, e.p.Label(e.s.Mode.Mode), c.own(now.level)),
		say("what wanders by itself stays within %v", unit.Current(driftChart.K)*c.Unit),
	}})
}

// otherVolts reports that the board is fed by other volts than when its own level
// was taken: then it draws another current. It notes those of a level to be taken.
func (e *Engine) otherVolts() bool {
	c := &e.s.Current
	v, ok := e.s.Power.Volts.Get()
	if !ok {
		return false
	}
	if c.N == 0 {
		c.Volts = v
	}
	return max(v-c.Volts, c.Volts-v) > c.Volts/voltsSame
}

// fell reports that the level is suddenly lower than some seconds ago.
func (c *currentState) fell() bool {
	if c.Seen < len(c.Recent) {
		return false
	}
	var before, now [stepOver]unit.Current
	for i := range stepOver {
		before[i] = c.Recent[(c.Seen+i)%len(c.Recent)]
		now[i] = c.Recent[(c.Seen+stepOver+i)%len(c.Recent)]
	}
	slices.Sort(before[:])
	slices.Sort(now[:])
	return before[stepOver/2]-now[stepOver/2] > stepUnits*c.Unit
}

// deviation is how far a level is off the board's own, in units.
func (c *currentState) deviation(level unit.Current) float64 {
	off := max(level-c.Top, 0) + min(level-c.Level, 0)
	return min(max(float64(off)/float64(c.Unit), -mostUnits), mostUnits)
}

// own is the level that the given one is held against.
func (c *currentState) own(level unit.Current) unit.Current {
	if level > c.Top {
		return c.Top
	}
	return c.Level
}

// learn takes one of the first seconds, and with the last of them the level and
// the unit.
func (c *currentState) learn(level unit.Current) {
	c.Own[c.N] = level
	c.N++
	if c.N < ownSeconds {
		return
	}
	grain := resolution(c.Own[:])
	slices.Sort(c.Own[:])
	c.Level = c.Own[ownSeconds/2]
	c.Top = max(c.Top, c.Level)
	var off [ownSeconds]unit.Current
	for i, v := range c.Own {
		off[i] = max(v-c.Level, c.Level-v)
	}
	slices.Sort(off[:])
	spread := scale(off[ownSeconds/2], 1.4826) // the standard deviation of normal noise
	c.Unit, c.Chart = max(spread, scale(c.Level, ownShare), ownFloor, grain/2), driftChart.Start()
	if ownSteady*spread > c.Level {
		c.Unit = 0
	}
}

// resolution guesses the steps in which an instrument reads.
func resolution(levels []unit.Current) unit.Current {
	for _, step := range []unit.Current{10 * unit.Milliampere, unit.Milliampere} {
		if !slices.ContainsFunc(levels, func(c unit.Current) bool { return c%step != 0 }) {
			return step
		}
	}
	return 0
}
