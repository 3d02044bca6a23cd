package rule

import (
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// station is what is remembered of one beside what stands there.
type station struct {
	Station
	draws []*drawState
	mode  bench.Mode
	armed bool      // a goal was, when it was last looked at
	label string    // the family's word for it
	job   string    // number of its case
	heard time.Time // its last events: older snapshots tell nothing
	over  time.Time // the last drop that is over: told once more it is no other
	usb   time.Time // since when the USB watch is lost, as it knows
	idle  time.Time // since when no run goes on; zero while one does

	readings [8]reading // one a second, in turn
	n        int
}

type reading struct {
	at   time.Time
	amps unit.Current
}

// note keeps a reading a second, so that the current just before an event is
// known after it.
func (st *station) note(v bench.ReadingView) {
	amps, known := v.Amps.Get()
	if !known || st.n > 0 && v.At.Sub(st.readings[(st.n-1)%len(st.readings)].at).Abs() < time.Second {
		return
	}
	st.readings[st.n%len(st.readings)] = reading{v.At, amps}
	st.n++
}

// before is the current just before a moment: the newest reading kept, or the
// mean of the last seconds that were over by then.
func (st *station) before(at time.Time, s *bench.Snapshot) (amps unit.Maybe[unit.Current]) {
	var newest time.Time
	for i := range min(st.n, len(st.readings)) {
		if v := st.readings[i]; v.at.Before(at) && v.at.After(newest) {
			newest, amps = v.at, unit.Some(v.amps)
		}
	}
	if amps.Known() || s == nil {
		return amps
	}
	end := s.Shape.Until
	for _, v := range slices.Backward(s.Shape.Amps) {
		if !end.After(at) && v.Known() {
			return v
		}
		end = end.Add(-s.Shape.Step)
	}
	return amps
}

// readingLasts is how old a reading may be to be that of now.
const readingLasts = 5 * time.Second

// amps is the current now, unknown where there is no fresh reading.
func amps(s *bench.Snapshot) unit.Maybe[unit.Current] {
	if s == nil || !s.SupplyLost.IsZero() || s.At.Sub(s.Reading.At) > readingLasts {
		return unit.Maybe[unit.Current]{}
	}
	return s.Reading.Amps
}

// about begins the facts of a station's alert.
func (r *Rules) about(st *station, k bench.AlertKind, since time.Time, s *bench.Snapshot) facts {
	f := facts{kind: k, severity: severities[k], station: st.ID, name: st.Name, since: since, zone: r.o.Zone, window: unit.Some(st.Window)}
	f.before, f.caseNo, f.mode = st.before(since, s), st.job, st.label
	if s == nil {
		return f
	}
	if f.name == "" {
		f.name = s.Name
	}
	f.caseNo, f.mode, f.amps = s.Case, s.Label, amps(s)
	if s.Window > 0 {
		f.window = unit.Some(s.Window)
	}
	if s.Run != nil {
		f.uptime = unit.Some(s.Run.Uptime)
	}
	if s.Watch != nil {
		f.goal = s.Watch.Goal.String()
	}
	return f
}

// of adds what an event tells. The evidence of what a person said holds their
// words, and is left out.
func (f facts) of(e *bench.Event) facts {
	f.event, f.why, f.how = e.ID(), e.Data.Why, e.Data.Kind
	if e.Data.By != "" {
		f.why = nil
	}
	if e.Data.Uptime.Known() {
		f.uptime = e.Data.Uptime
	}
	if w := e.Data.Window; w.Known() && e.Data.Goal == "" {
		f.window = w
	}
	if e.Data.Goal != "" {
		f.goal = goalWords(e.Data.Goal)
	}
	return f
}

// at is the point of a kind at the station.
func (st *station) at(k bench.AlertKind) bench.AlertPoint {
	return bench.AlertPoint{Station: st.ID, Kind: k}
}

// event takes one conclusion. What the snapshot shows is left to look, except for
// the evidence and what only events tell.
func (r *Rules) event(st *station, e *bench.Event, all []bench.Event, s *bench.Snapshot) {
	raise := func(k bench.AlertKind) { r.open(r.about(st, k, e.Time, s).of(e)) }
	switch e.Type {
	case bench.RunStarted:
		if e.Data.Kind == bench.Unproven {
			r.unproven(st, e, s)
		}
	case bench.RunDown, bench.RunDropped:
		r.dropped(st, e, all, s)
	case bench.RunStopped, bench.RunReclassified:
		r.stopped(st, e)
	case bench.StallRaised:
		raise(bench.AlertStalled)
	case bench.StallCleared:
		why := "it moves again"
		if e.Data.Kind == bench.Unproven {
			why = "another run began while nobody watched"
		}
		if s == nil || s.Stalled.IsZero() {
			r.closeAt(st.at(bench.AlertStalled), why)
		}
	case bench.CurrentHigh:
		raise(bench.AlertHighAmps)
	case bench.CurrentCollapsed:
		raise(bench.AlertCollapsed)
	case bench.CurrentDrifting:
		raise(bench.AlertDrifting)
	case bench.StartHung:
		raise(bench.AlertStartHung)
	case bench.RunRegular:
		raise(bench.AlertRegular)
	case bench.SupplyLost:
		raise(bench.AlertSupplyLost)
		r.mark(r.points[st.at(bench.AlertSupplyLost)], byPower)
	case bench.SupplyBack:
		if s == nil || s.SupplyLost.IsZero() {
			r.closeAt(st.at(bench.AlertSupplyLost), "the supply answers again")
		}
	case bench.USBLost:
		r.usbSeen(st, e.Time, e.Data.Why)
	case bench.USBBack:
		if s == nil || s.USBLost.IsZero() {
			r.usbSeen(st, time.Time{}, nil)
		}
	case bench.WindowMet:
		r.windowMet(st, e, all, s)
	case bench.WatchDone:
		if e.Data.Kind == "" { // otherwise somebody said it, and knows
			r.pass(r.about(st, bench.AlertGoalDone, e.Time, s).of(e))
		}
	case bench.WatchFailed:
		if e.Data.Kind == bench.WatchLate {
			raise(bench.AlertLate)
		}
	case bench.WatchArmed:
		r.closeAt(st.at(bench.AlertLate), "another goal is armed")
	}
}

// windowMet is told unless it was the armed goal too, which is told then.
func (r *Rules) windowMet(st *station, e *bench.Event, all []bench.Event, s *bench.Snapshot) {
	for i := range all {
		if o := &all[i]; o.Type == bench.WatchDone && o.Data.Kind == "" && o.Time.Sub(e.Time).Abs() <= time.Second {
			return
		}
	}
	r.pass(r.about(st, bench.AlertWindowMet, e.Time, s).of(e))
}

// dropped raises a drop. While the one before it is not over it is the same
// occurrence, unless more is at stake now.
func (r *Rules) dropped(st *station, e *bench.Event, all []bench.Event, s *bench.Snapshot) {
	if e.Time.Equal(st.over) {
		return
	}
	f := r.dropFacts(st, e, all, s)
	old := r.points[st.at(bench.AlertDropped)]
	switch {
	case old == nil:
		old = r.open(f)
	case old.facts.last().Equal(e.Time):
		f.again, f.latest = old.facts.again, old.facts.latest
		if old.facts.unseen {
			f.unseen, f.until = true, old.facts.until
		}
		f.inherit(&old.facts) // the goal has failed meanwhile
		r.rewrite(old, f, "its kind is known")
	case f.severity == bench.Danger && old.facts.severity != bench.Danger:
		r.close(old, "it dropped again, and a goal was armed now")
		old = r.open(f)
	case old.facts.how == bench.Unproven && e.Time.After(old.facts.since):
		old = r.open(f) // the one before may have been none
	case !e.Time.After(old.facts.since):
		return // told late of an earlier one
	default:
		f.again, f.latest = old.facts.again+1, e.Time
		f.inherit(&old.facts)
		r.rewrite(old, f, "it dropped again")
	}
	r.mark(old, signalOf(f.how, s))
}

// unproven raises a drop that may have been one: another run goes on than before a
// time without a watch, or the same one, and nothing shows which. It is no sign of
// a common cause, because all such runs begin as the watch does.
func (r *Rules) unproven(st *station, e *bench.Event, s *bench.Snapshot) {
	if e.Time.Equal(st.over) {
		return
	}
	f := r.about(st, bench.AlertDropped, e.Time, s).of(e)
	f.severity = bench.Caution
	if f.goal != "" {
		f.severity = bench.Danger
	}
	f.why = evidenceFirst(f.why)
	r.open(f)
}

// evidenceFirst puts that nobody watched, with which the evidence of an unseen
// event begins, behind it: the words say so already.
func evidenceFirst(why []string) []string {
	if len(why) < 2 || !strings.HasPrefix(why[0], "not watched for") {
		return why
	}
	return slices.Concat(why[1:], why[:1])
}

// seenAgain is when a drop that happened while nobody watched was seen, zero where
// that is not known. One that was concluded before the watch was left was seen.
func seenAgain(e *bench.Event, s *bench.Snapshot) (at time.Time, unseen bool) {
	if s != nil && s.Gap != nil && s.Gap.Judged && !e.Time.After(s.Gap.From) && !e.Concluded.Before(s.Gap.To) {
		return s.Gap.To, true
	}
	return time.Time{}, slices.ContainsFunc(e.Data.Why, func(why string) bool { return strings.HasPrefix(why, "it went down in that time") })
}

// inherit keeps what an occurrence has put at stake before.
func (f *facts) inherit(old *facts) {
	if old.severity == bench.Danger {
		f.severity, f.goal = bench.Danger, old.goal
	}
}

// dropFacts are those of a drop: how long the board was up, and what that ends.
func (r *Rules) dropFacts(st *station, e *bench.Event, all []bench.Event, s *bench.Snapshot) facts {
	f := r.about(st, bench.AlertDropped, e.Time, s).of(e)
	if e.Type == bench.RunDown {
		f.how = ""
	}
	f.mode = string(e.Data.Mode)
	f.until, f.unseen = seenAgain(e, s)
	if origin := originOf(e, s); !origin.IsZero() {
		f.uptime = unit.Some(e.Time.Sub(origin))
	}
	f.severity = bench.Caution
	if f.goal = goalLost(e, all, s); f.goal != "" {
		f.severity = bench.Danger
	}
	return f
}

// originOf is from when the window of a run that dropped counted, zero where that
// is not known.
func originOf(e *bench.Event, s *bench.Snapshot) time.Time {
	switch {
	case s == nil:
	case s.LastRun != nil && s.LastRun.End.Equal(e.Time):
		return s.LastRun.Origin
	case s.Run != nil && s.Run.Origin.Before(e.Time):
		return s.Run.Origin
	}
	return time.Time{}
}

// last is when the newest drop of an occurrence was.
func (f *facts) last() time.Time {
	if f.latest.IsZero() {
		return f.since
	}
	return f.latest
}

// goalLost is the goal that a drop puts an end to, empty where none was armed.
func goalLost(e *bench.Event, all []bench.Event, s *bench.Snapshot) string {
	for i := range all {
		if o := &all[i]; o.Type == bench.WatchFailed && o.Data.Kind == bench.WatchDropped && !o.Time.Before(e.Time) {
			return goalWords(o.Data.Goal)
		}
	}
	switch {
	case s == nil:
		return ""
	case s.Watch != nil:
		return s.Watch.Goal.String()
	case s.LastWatch != nil && s.LastWatch.Kind == bench.WatchDropped && s.LastWatch.Ended.Equal(e.Time):
		return s.LastWatch.Goal.String()
	}
	return ""
}

// someGoal is one whose text is not known to be a goal's.
const someGoal = "the goal"

// goalWords is the text form of a goal; whatever else stands there is not shown.
func goalWords(text string) string {
	g, err := bench.ParseGoal(text)
	if err != nil {
		return someGoal
	}
	return g.String()
}

// stopped ends a drop that turned out to be somebody's doing. No mark's words
// are repeated.
func (r *Rules) stopped(st *station, e *bench.Event) {
	old := r.points[st.at(bench.AlertDropped)]
	if old == nil || !old.facts.last().Equal(e.Time) {
		return
	}
	why := "somebody said that it was a stop, not a drop"
	switch e.Data.Kind {
	case bench.StoppedByOutput:
		why = "the supply's output was switched off: a stop, not a drop"
	case bench.StoppedByHands:
		why = "somebody was at the station: a stop, not a drop"
	}
	r.close(old, why)
}
