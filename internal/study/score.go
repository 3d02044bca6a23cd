package study

import (
	"slices"

	"benchvigil/internal/bench"
)

// Limits of what counts as found.
const (
	early     ms = 1500        // a conclusion this much before the truth is still about it
	mistimed     = 10 * second // a drop may be placed this much too early and is still about it; the error is scored
	late         = 90 * second // an interruption that nobody could see may be found by what follows
	besides      = 2 * second
	leakMost     = 5 * minute
	driftMost    = 15 * minute
	windowOff    = 3 * second // how far window.met may be told from the true moment
)

// told is an event in the time of its job.
type told struct {
	bench.Event
	at, known ms
	used      bool
}

// score holds the events of one job against its truth.
func score(t *truth, events []bench.Event) *Tally {
	s := &scorer{t: t, y: newTally()}
	for _, e := range events {
		s.events = append(s.events, told{Event: e, at: e.Time.Sub(epoch).Milliseconds(), known: e.Concluded.Sub(epoch).Milliseconds()})
	}
	s.y.Hours = float64(t.End) / float64(hour)
	s.y.RestoreHours = float64(t.Restore) / float64(hour)
	s.y.RePairHours = float64(t.RePair) / float64(hour)
	s.drops()
	s.stalls()
	s.windows()
	s.hung()
	s.restarts()
	s.regular()
	s.currents()
	s.stops()
	s.modes()
	return s.y
}

type scorer struct {
	t      *truth
	events []told
	y      *Tally
}

// take finds the first unused event of a type that fits.
func (s *scorer) take(kind bench.EventType, fits func(*told) bool) *told {
	for i := range s.events {
		if e := &s.events[i]; e.Type == kind && !e.used && fits(e) {
			e.used = true
			return e
		}
	}
	return nil
}

// rest counts the unused events of a type.
func (s *scorer) rest(kind bench.EventType, each func(*told)) (n int) {
	for i := range s.events {
		if e := &s.events[i]; e.Type == kind && !e.used {
			n++
			each(e)
		}
	}
	return n
}

// eligible reports that the instrument showed enough of the interruption for
// anybody to find it: three reading periods, of them at least two readings that
// saw nothing else, for as long as a drop must last.
func (d *drop) eligible() bool {
	const offFor = 150
	if d.Class != byCurrent {
		return d.Class != unseen
	}
	long := d.Back == never || float64(d.Back-d.At) >= 3000/d.Rate
	return long && d.Seen >= 2 && d.End-d.First >= offFor
}

// drops looks for those first that an instrument showed, so that a hidden one
// takes no event from them.
func (s *scorer) drops() {
	for i := range s.t.Drops {
		if d := &s.t.Drops[i]; d.eligible() || d.Class == unseen {
			s.drop(d, d.Within)
		}
	}
	for i := range s.t.Drops {
		if d := &s.t.Drops[i]; !d.eligible() && d.Class != unseen {
			s.hide(d)
			s.drop(d, max(d.Within, late))
		}
	}
	s.runs()
	s.y.FalseDrops += s.rest(bench.RunDropped, func(e *told) { s.y.note(900, e.at, "false drop "+e.Data.Kind) })
}

// runs matches the starts of runs.
func (s *scorer) runs() {
	for i := range s.t.Runs {
		r := &s.t.Runs[i]
		e := s.take(bench.RunStarted, func(e *told) bool { return abs(float64(e.at-r.Start)) <= float64(3*second) })
		if r.Hidden {
			continue
		}
		s.y.Runs++
		if e == nil {
			s.y.RunsMissed++
			s.y.note(250, r.Start, "start of a run not said")
		}
	}
	s.takeAll(bench.RunStarted, func(e *told) bool { return s.hidden(e.at) })
	s.y.RunsFalse += s.rest(bench.RunStarted, func(e *told) { s.y.note(650, e.at, "run said to start that did not") })
}

// hidden reports a moment near a run that began or ended unseen.
func (s *scorer) hidden(t ms) bool {
	return slices.ContainsFunc(s.t.Runs, func(r run) bool { return r.Hidden && t >= r.Start-late && t <= r.Start+late })
}

// drop looks for what was told of one drop.
func (s *scorer) drop(d *drop, within ms) {
	e := s.take(bench.RunDropped, func(e *told) bool { return e.known >= d.At && e.known <= d.At+within && e.at >= d.At-mistimed })
	switch {
	case e != nil:
		s.found(d, e)
	case d.Class == unseen:
		s.y.Unseen++
		s.y.note(100, d.At, "a drop out of sight was never told")
	case !d.eligible():
		s.y.TooShort++
	case d.Class == held:
		s.y.Held++
		s.y.HeldMissed++
		s.y.note(450, d.At, "restart with power held not said")
	default:
		s.y.Drops++
		s.y.Missed++
		s.y.note(1000, d.At, "missed drop")
	}
}

func (s *scorer) found(d *drop, e *told) {
	delay := float64(e.known-d.At) / 1000
	off := abs(float64(e.at-d.At)) / 1000
	switch {
	case d.Class == unseen:
		s.y.Unseen++
		return
	case !d.eligible():
		s.y.TooShort++
		return
	}
	if d.Class == held {
		s.y.Held++
	} else {
		s.y.Drops++
	}
	s.y.Kinds[pair{d.Kinds[0], e.Data.Kind}]++
	if !slices.Contains(d.Kinds, e.Data.Kind) {
		s.y.WrongKind++
		s.y.note(10, d.At, "drop of kind "+d.Kinds[0]+" told as "+e.Data.Kind)
	}
	switch {
	case d.Class == byLink:
		s.y.LinkDelay.add(delay - float64(d.Gap)/1000)
	case d.Class == held:
		s.y.HeldDelay.add(delay)
	case d.Rate == 10:
		s.y.Delay.add(delay)
		s.y.noteIf(delay > 1, 100+delay, d.At, "drop told late")
	case d.Rate < 10:
		s.y.SlowDelay.add(delay)
	default:
		s.y.FastDelay.add(delay)
	}
	if d.Class == byCurrent {
		s.y.EveryDelay.add(delay)
		s.y.TimeError.add(off)
	}
}

func (s *scorer) stalls() {
	for _, x := range s.t.Stalls {
		s.y.Stalls++
		e := s.take(bench.StallRaised, func(e *told) bool { return e.known >= x.From && e.known <= x.To })
		if e == nil {
			s.y.MissedStalls++
			s.y.note(700, x.From, "missed stall")
			continue
		}
		delay := float64(e.known-x.From-x.Quiet) / 1000
		s.y.StallDelay.add(delay)
		s.y.noteIf(delay > 30, 50+delay, x.From, "stall told late")
		for s.take(bench.StallRaised, func(e *told) bool { return e.known > x.From && e.known <= x.To }) != nil {
			s.y.StallFlaps++
		}
		if c := s.take(bench.StallCleared, func(c *told) bool { return c.known >= e.known && c.known < x.To-second }); c != nil {
			s.y.ClearsFalse++
			s.y.note(60, c.known, "a stall said to be over that was not")
		}
	}
	s.rest(bench.StallRaised, func(e *told) {
		if s.modeAt(e.known) == bench.RePairing {
			s.y.FalseRePairStalls++
		} else {
			s.y.FalseStalls++
		}
		s.y.note(800, e.at, "false stall in "+string(e.Data.Mode))
	})
}

func (s *scorer) modeAt(t ms) bench.Mode {
	for i := range s.t.Spans {
		if x := &s.t.Spans[i]; x.From <= t && t < x.To {
			return x.Mode
		}
	}
	return bench.Unknown
}

// hide notes the runs before and after a drop that nobody could see: what is
// said of their windows is nobody's fault.
func (s *scorer) hide(d *drop) {
	for i := range s.t.Runs {
		if r := &s.t.Runs[i]; r.End == d.At || d.Back != never && abs(float64(r.Start-d.Back)) < float64(second) {
			r.Hidden = true
		}
	}
}

// windows asks of each run whether its window was rightly said to be met.
func (s *scorer) windows() {
	const window = 210 * second
	for i := range s.t.Runs {
		r := &s.t.Runs[i]
		due := r.Origin + window
		e := s.take(bench.WindowMet, func(e *told) bool {
			return e.known >= r.Start && e.at < r.End+early && abs(float64(e.at-due)) <= float64(windowOff)
		})
		switch {
		case r.Hidden:
			s.takeAll(bench.WindowMet, func(e *told) bool { return e.known >= r.Start && e.at <= r.End+besides })
		case r.Origin != never && due < min(r.End, r.Proof)-besides:
			s.y.Windows++
			if e == nil {
				s.y.WindowsMissed++
				s.y.note(300, due, "window met and not said")
			}
		case e != nil && due > r.End+besides:
			s.y.WindowsWrong++
			s.y.note(600, e.at, "window said to be met by a run that dropped")
		}
	}
	s.y.WindowsWrong += s.rest(bench.WindowMet, func(e *told) { s.y.note(600, e.at, "window said to be met at a wrong moment") })
}

// takeAll uses up every event of a type that fits.
func (s *scorer) takeAll(kind bench.EventType, fits func(*told) bool) {
	for s.take(kind, fits) != nil {
	}
}

func (s *scorer) hung() {
	for _, at := range s.t.Hung {
		s.y.Hung++
		if s.take(bench.StartHung, func(e *told) bool { return e.known >= at-early && e.known <= at+5*second }) == nil {
			s.y.HungMissed++
			s.y.note(400, at, "a hung start not said")
		}
	}
	s.y.HungFalse += s.rest(bench.StartHung, func(e *told) { s.y.note(500, e.at, "a start said to be hung that was not") })
}

// restarts counts planned restarts that were told as what they are.
func (s *scorer) restarts() {
	for _, at := range s.t.Restarts {
		s.y.Restarts++
		if s.take(bench.RunRestarted, func(e *told) bool { return abs(float64(e.at-at)) <= float64(besides) }) == nil {
			s.y.RestartsMissed++
			s.y.note(15, at, "a planned restart not said")
		}
	}
}

func (s *scorer) regular() {
	told := s.rest(bench.RunRegular, func(*told) {})
	switch {
	case !s.t.Regular:
		s.y.RegularFalse += told
		s.y.noteIf(told > 0, 200, 0, "drops said to be regular that were not")
	case len(s.t.Drops) >= 4:
		s.y.Regular++
		if told == 0 {
			s.y.RegularMissed++
			s.y.note(200, 0, "a timer's drops not said to be regular")
		}
	}
}

// currents scores what is said of the level itself.
func (s *scorer) currents() {
	for _, at := range s.t.Drifts {
		s.y.Drifts++
		if s.take(bench.CurrentDrifting, func(e *told) bool { return e.known >= at && e.known <= at+driftMost }) == nil {
			s.y.DriftsMissed++
			s.y.note(22, at, "a drift not said")
		}
	}
	s.y.DriftsFalse += s.rest(bench.CurrentDrifting, func(e *told) { s.y.note(20, e.at, "false drift") })
	for _, at := range s.t.Leaks {
		s.y.Leaks++
		if s.take(bench.CurrentHigh, func(e *told) bool { return e.known >= at && e.known <= at+leakMost }) == nil {
			s.y.LeaksMissed++
			s.y.note(25, at, "a leak not said")
		}
	}
	s.y.HighsFalse += s.rest(bench.CurrentHigh, func(e *told) { s.y.note(40, e.at, "false "+e.Data.Kind) })
	for _, at := range s.t.Collapses {
		s.y.Collapses++
		if s.take(bench.CurrentCollapsed, func(e *told) bool { return e.known >= at && e.known <= at+10*second }) == nil {
			s.y.CollapsesMissed++
			s.y.note(35, at, "a collapse not said")
		}
	}
	for _, at := range s.t.Limited {
		s.take(bench.CurrentCollapsed, func(e *told) bool { return e.known >= at && e.known <= at+10*second })
	}
	s.y.CollapsesFalse += s.rest(bench.CurrentCollapsed, func(e *told) { s.y.note(45, e.at, "false collapse") })
}

// stops counts the runs that a person ended and that were counted as theirs.
func (s *scorer) stops() {
	for _, at := range s.t.Stops {
		s.y.Stops++
		if s.take(bench.RunStopped, func(e *told) bool { return abs(float64(e.at-at)) <= float64(3*second) }) == nil {
			s.y.StopsMissed++
			s.y.note(30, at, "a stop not said")
		}
	}
}

// modes compares the mode shown at each moment with the true one, two seconds
// and more away from a change. Shown is what was known then, not later.
func (s *scorer) modes() {
	type step struct {
		at ms
		m  bench.Mode
	}
	shown := []step{{0, bench.Unknown}}
	for i := range s.events {
		if e := &s.events[i]; e.Type == bench.ModeChanged {
			shown = append(shown, step{e.known, e.Data.To})
		}
	}
	k := 0
	for i := range s.t.Spans {
		x := &s.t.Spans[i]
		from, to := x.From, min(x.To, s.t.End)
		if i == 0 || s.t.Spans[i-1].Mode != x.Mode || s.t.Spans[i-1].Unknown {
			from += besides
		}
		if i+1 < len(s.t.Spans) && s.t.Spans[i+1].Mode != x.Mode {
			to -= besides
		}
		if x.Unknown || from >= to {
			continue
		}
		for k+1 < len(shown) && shown[k+1].at <= from {
			k++
		}
		for j := k; j < len(shown) && shown[j].at < to; j++ {
			a, b := max(shown[j].at, from), to
			if j+1 < len(shown) {
				b = min(shown[j+1].at, to)
			}
			if a < b {
				s.modeTime(x, shown[j].m, a, b)
			}
		}
	}
}

func (s *scorer) modeTime(x *span, m bench.Mode, a, b ms) {
	sec := float64(b-a) / 1000
	if x.accepts(m) {
		s.y.Modes[pair{string(x.Mode), string(x.Mode)}] += sec
		return
	}
	s.y.Modes[pair{string(x.Mode), string(m)}] += sec
	s.y.noteIf(sec >= 1, min(sec/10, 99), a, string(x.Mode)+" shown as "+string(m)+" for "+seconds(sec))
}

func abs(x float64) float64 { return max(x, -x) }
