package rule

import (
	"time"

	"benchvigil/internal/bench"
)

// look holds what stands at a station against what it shows now: what no longer
// shows is over, and what shows without having been told of is taken up.
func (r *Rules) look(st *station, s *bench.Snapshot) {
	st.mode, st.label, st.job, st.armed = s.Mode, s.Label, s.Case, s.Watch != nil
	st.note(s.Reading)
	if r.warming() {
		return
	}
	c := &s.Current
	r.shows(st, s, bench.AlertStalled, s.Stalled, "it moves again, or has ended")
	r.shows(st, s, bench.AlertHighAmps, c.High, "the mode in which it drew too much is over")
	r.shows(st, s, bench.AlertCollapsed, c.Collapsed, "the volts hold again")
	r.shows(st, s, bench.AlertDrifting, c.Drifting, "the mode in which it drifted is over")
	r.shows(st, s, bench.AlertStartHung, hungSince(s), "the start is over")
	r.shows(st, s, bench.AlertSupplyLost, s.SupplyLost, "the supply answers again")
	r.mark(r.points[st.at(bench.AlertSupplyLost)], byPower)
	r.usbSeen(st, s.USBLost, nil)
	r.lookDown(st, s)
	r.lookUSB(st, s)
	r.lookLate(st, s)
	r.lookRegular(st, s)
	r.lookOdds(st, s)
	r.lookDraws(st, s)
}

// shows opens and closes a condition that the snapshot shows by itself.
func (r *Rules) shows(st *station, s *bench.Snapshot, k bench.AlertKind, since time.Time, over string) {
	old := r.points[st.at(k)]
	switch {
	case since.IsZero() && old != nil:
		r.close(old, over)
	case !since.IsZero() && old == nil:
		f := r.about(st, k, since, s)
		if k == bench.AlertHighAmps {
			f.how = s.Current.HighKind
		}
		r.open(f)
	}
}

// hungSince is since when a start hangs. The event knows better, but comes before.
func hungSince(s *bench.Snapshot) time.Time {
	if !s.StartHung {
		return time.Time{}
	}
	return s.ModeSince
}

// lookDown ends a drop once a run has gone on for a while, or when it was none.
func (r *Rules) lookDown(st *station, s *bench.Snapshot) {
	e := r.points[st.at(bench.AlertDropped)]
	if e == nil {
		return
	}
	last, l := e.facts.last(), s.LastRun
	switch {
	case r.isUp(e, s):
		r.close(e, "up again since "+e.facts.at(s.Run.Start)+", for "+bench.InWords(s.At.Sub(s.Run.Start))+" so far")
	case l != nil && l.EndedAs == bench.RunStopped && l.End.Equal(last):
		r.close(e, "it was a stop, not a drop")
	case l != nil && l.EndedAs == bench.RunStopped && l.End.After(last):
		r.close(e, "a later run was stopped")
	case s.LastMark.Kind == bench.MarkHookup && s.LastMark.At.After(last):
		r.close(e, "the boards were hooked up anew")
	}
}

// isUp reports that a run has gone on for long enough: one that began after the
// drop, or for as long as it was looked at.
func (r *Rules) isUp(e *entry, s *bench.Snapshot) bool {
	if s.Run == nil || s.Run.Suspect {
		e.up = time.Time{}
		return false
	}
	if e.up.IsZero() {
		e.up = s.At
	}
	up := s.At.Sub(e.up)
	if !s.Run.Start.Before(e.facts.last()) && e.facts.how != bench.Unproven { // which may be told late
		up = max(up, s.At.Sub(s.Run.Start))
	}
	return up >= r.o.Back
}

// deviceGone is a condition that is never told alone: a device has left the bus
// for longer than anything explains, while its board is powered. Several behind
// one hub are the hub.
const deviceGone bench.AlertKind = "device-gone"

func (r *Rules) lookUSB(st *station, s *bench.Snapshot) {
	e := r.points[st.at(deviceGone)]
	gone := !s.USB.Present && s.USB.Overdue && !s.USB.Gone.IsZero()
	switch {
	case e != nil && !gone:
		r.close(e, "the device is back")
	case e == nil && gone:
		f := r.about(st, deviceGone, s.USB.Gone, s)
		f.severity = bench.Caution
		if f.goal != "" {
			f.severity = bench.Danger
		}
		e = r.open(f)
		e.silent, e.due = true, r.now
		r.mark(e, byLink)
	}
}

// lookLate ends a late goal that was reached after all, or put away.
func (r *Rules) lookLate(st *station, s *bench.Snapshot) {
	e := r.points[st.at(bench.AlertLate)]
	l := s.LastWatch
	switch {
	case e == nil:
	case s.Watch != nil:
		r.close(e, "another goal is armed")
	case l == nil || l.EndedAs != bench.WatchFailed || l.Kind != bench.WatchLate:
		r.close(e, "the goal was put away")
	case l.Goal.Kind == bench.GoalReach && s.Run != nil && s.Mode == l.Goal.Mode:
		r.close(e, "the goal was reached late")
	case l.Goal.Kind == bench.GoalRePair && s.Run != nil && s.Mode == bench.Running:
		r.close(e, "the goal was reached late")
	case s.Run == nil && s.LastRun != nil && s.LastRun.End.After(e.facts.since):
		r.close(e, "the run has ended")
	}
}

// lookRegular ends regular drops: the window was met, the run has outlived all
// before, the boards were hooked up anew, or the last drop was another one.
func (r *Rules) lookRegular(st *station, s *bench.Snapshot) {
	e := r.points[st.at(bench.AlertRegular)]
	switch {
	case e == nil || s.Odds != nil && s.Odds.Regular > 0:
	case s.Run != nil && !s.Run.WindowMet.IsZero():
		r.close(e, "it has outlived its window")
	case s.Odds == nil && s.Run != nil:
		r.close(e, "it has outlived the runs before")
	case s.Odds == nil:
		r.close(e, "the boards were hooked up anew")
	case s.Run == nil:
		r.close(e, "the last drop came at another time")
	}
}

// The window is at risk while a run goes on towards it, its board hooked up as
// before, and the upper 95 % limit of its odds is no more than a half: it fails
// more often than not. That takes five drops of five, or seven of eight. It is
// over when that limit is well above, which is so once the run has outlived some
// of those before, when the window is met, or when no run has gone on for a while:
// so it is told once for a hook-up, not once for a run.
const (
	riskRuns = 5 // fewer tell too little, whatever the limit
	riskAt   = 0.50
	riskOver = 0.65
	riskIdle = 10 * time.Minute
)

// lookOdds finds windows at risk.
func (r *Rules) lookOdds(st *station, s *bench.Snapshot) {
	e, o := r.points[st.at(bench.AlertAtRisk)], s.Odds
	if s.Run != nil {
		st.idle = time.Time{}
	} else if st.idle.IsZero() {
		st.idle = s.At
	}
	if e == nil {
		if s.Run != nil && !s.Run.Suspect && atRisk(o) && r.points[st.at(bench.AlertRegular)] == nil {
			f := r.about(st, bench.AlertAtRisk, s.At, s)
			f.odds = o.String()
			r.open(f)
		}
		return
	}
	switch {
	case r.points[st.at(bench.AlertRegular)] != nil:
		r.close(e, "part of the regular drops")
	case s.Run != nil && !s.Run.WindowMet.IsZero():
		r.close(e, "the window is met")
	case o == nil:
		r.close(e, "nothing speaks against it any more")
	case o.Regular == 0 && o.High > riskOver:
		r.close(e, "the odds are better: "+o.String())
	case s.Run == nil && s.At.Sub(st.idle) > riskIdle:
		r.close(e, "no run goes on")
	case !e.told && s.Run == nil:
		r.close(e, "the run has ended")
	}
}

// atRisk reports odds that are bad enough to say so.
func atRisk(o *bench.OddsView) bool {
	return o != nil && (o.Regular > 0 || o.Of >= riskRuns && o.High <= riskAt)
}

// warming reports that nothing can be judged yet of what stood before the start.
func (r *Rules) warming() bool {
	if !r.begun.IsZero() && r.now.Sub(r.begun) >= warmUp {
		return false
	}
	for _, e := range r.order {
		if e.restored {
			return true
		}
	}
	return false
}
