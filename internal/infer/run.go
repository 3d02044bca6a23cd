package infer

import (
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// findDown looks for a drop that has become certain. It also finds the "off"
// that lifts the block after a stop.
func (e *Engine) findDown(t ms) {
	d := &e.s.Down
	if d.Since != 0 || !e.s.Run.Active && !e.s.Run.Blocked {
		return
	}
	since, why := e.downByReadings()
	if since == 0 {
		since, why = e.downByUSB(t)
	}
	if since == 0 {
		return
	}
	if e.s.Run.Blocked {
		e.s.Run.Blocked = false
		e.s.Power.Was = 0
		return
	}
	*d = e.unseenDown(max(since, e.s.Run.Start), why)
}

func (e *Engine) downByReadings() (ms, string) {
	s, gone := &e.s.Power, e.s.USB.Gone
	if !e.linkAgrees() {
		return 0, ""
	}
	switch off, low := s.Off, s.Low; {
	case off.N >= 2 && s.Last-off.Since >= millis(e.p.OffFor):
		return e.withLink(off.Since), say("%v for %s, the off band ends at %v", s.Amps, (s.Last - off.Since).words(), e.p.OffHigh())
	case s.Was != 0 && s.Was >= e.s.Run.Start:
		return e.withLink(s.Was), say("in the off band for %s, which ends at %v", max(s.High.Since-s.Was, 0).words(), e.p.OffHigh())
	case low.N >= 3 && s.Last-e.lowSince() >= standbyFor && e.goneOrNeverSeen():
		return e.withLink(e.lowSince()), say("%v for %s and nothing on USB", s.Amps, (s.Last - e.lowSince()).words())
	case e.restartsPlanned() || !e.absent() || gone == 0 || gone < e.s.Run.Start:
		return 0, ""
	case s.Dip >= e.s.Run.Start && near(s.Dip, gone) && e.s.Mode.Mode != bench.Asleep:
		return e.withLink(s.Dip), "the current fell together with the loss of USB"
	case off.N > 0 && near(off.Since, gone):
		return e.withLink(off.Since), "the current fell together with the loss of USB"
	}
	return 0, ""
}

// lowSince is when a low streak with USB gone began to mean a drop: where the
// device was still there while it drew so little, it was its leaving.
func (e *Engine) lowSince() ms {
	s, gone := &e.s.Power, e.s.USB.Gone
	if s.Dip != 0 && (gone == 0 || gone-s.Dip <= staleFor) {
		return s.Dip
	}
	return max(s.Low.Since, gone)
}

func near(a, b ms) bool { return max(a-b, b-a) <= together }

// withLink moves the time of a drop to the loss of USB, or of what a meter saw
// flowing from there, where bus power feeds the board: it lived until then.
func (e *Engine) withLink(since ms) ms {
	switch {
	case !e.st.Hookup.VBUS:
		return since
	case e.absent():
		return max(since, e.s.USB.Gone)
	}
	return max(since, e.s.VBUS.Off.Since)
}

func (e *Engine) restartsPlanned() bool {
	m := e.p.Spec(e.s.Mode.Mode)
	return m != nil && m.Restarts
}

// downByUSB concludes from an absence alone, where no readings can be asked.
func (e *Engine) downByUSB(t ms) (ms, string) {
	away, ok := e.leftFor(t)
	if !ok || !e.blind(t) || e.s.USB.Gone <= e.s.Power.Last || away <= e.absence() {
		return 0, ""
	}
	return e.s.USB.Gone, say("gone from USB for longer than %s, and there are no readings to ask", e.absence().words())
}

// concludeDown tells a certain drop once its kind is known: when the current
// is back, or when waiting longer would tell too late.
func (e *Engine) concludeDown(t ms) {
	d, h := &e.s.Down, &e.s.Power.High
	if d.Since == 0 {
		return
	}
	back, linkOnly := e.back(), e.blind(t)
	late := t-d.Since >= max(concludeAfter, 4*e.s.Power.Period)
	if late && h.N == 1 && h.Since > d.Since {
		back = true // no time to wait for a second reading
	}
	if back || linkOnly || late {
		e.tellDown(back, linkOnly)
		return
	}
	e.sayDown()
}

// sayDown tells a drop that is certain while its kind is still open: whoever has
// to run should not wait for the kind. Where a person is at the board, what
// happens is theirs.
func (e *Engine) sayDown() {
	d, r := &e.s.Down, &e.s.Run
	if d.Told || !r.Active || e.handsOn(d.Since) {
		return
	}
	d.Told = true
	e.emit(bench.RunDown, d.Since, bench.EventData{
		Mode: e.downIn(), Uptime: length(d.Since - r.Start), Window: length(e.window), Assumed: r.Assumed, Why: []string{d.Why},
	})
}

// downIn is the mode in which the run went down.
func (e *Engine) downIn() bench.Mode {
	if e.s.Down.In != "" {
		return e.s.Down.In
	}
	return e.s.Mode.Mode
}

// tellDown tells a certain drop.
func (e *Engine) tellDown(back, linkOnly bool) {
	d := e.s.Down
	kind, why := e.kind(back, linkOnly)
	why = append([]string{d.Why}, why...)
	if e.handsOn(d.Since) {
		e.handled(kind, why)
	} else {
		e.drop(kind, why)
	}
	e.afterEnd(d.Since, d.Why)
}

// back reports that the current has returned since the drop.
func (e *Engine) back() bool {
	h := &e.s.Power.High
	return h.N >= 2 && h.Since > e.s.Down.Since
}

func (e *Engine) kind(back, linkOnly bool) (string, []string) {
	s, from := &e.s.Power, e.s.Down.Since-together
	switch {
	case e.s.Down.Unseen && !linkOnly:
		return bench.Died, []string{e.whyUnwatched(), e.s.Gap.Why}
	case e.s.Down.Unseen:
		return bench.LinkLost, []string{e.whyUnwatched(), e.s.Gap.Why}
	case e.marksOnly():
		return bench.Died, nil
	case linkOnly:
		return bench.LinkLost, nil
	case s.Sag != 0 && s.Sag >= from:
		return bench.BrownOut, []string{say("the volts sagged to %v, where %v is usual", s.SagTo, s.reference())}
	case s.AtMax != 0 && s.AtMax >= from:
		return bench.BrownOut, []string{say("the supply sat at its limit of %v", s.Limit.Or(0))}
	case back:
		return bench.Reset, e.whyHeld("it came back by itself")
	}
	return bench.Died, e.whyHeld("it stays off")
}

// drop ends the run by the board's doing.
func (e *Engine) drop(kind string, why []string) {
	r, at := e.s.Run, e.s.Down.Since
	mode := e.downIn()
	if e.spans() && !e.s.Down.Unseen {
		why = append(why, e.whyUnwatched(), e.s.Gap.Why)
	}
	e.end(bench.RunDropped, at, kind)
	e.s.Counts.Drops++
	e.emit(bench.RunDropped, at, bench.EventData{
		Kind: kind, Mode: mode, Uptime: length(at - r.Start), Window: length(e.window), Assumed: r.Assumed, Why: why,
	})
	if r.Met == 0 {
		e.emit(bench.WindowMissed, at, bench.EventData{
			Kind: kind, Mode: mode, Uptime: length(at - r.Start), Window: length(e.window), Why: e.whyMissed(r, at),
		})
	}
	e.regular(r, at)
}

// end records how the run ended and clears it.
func (e *Engine) end(kind bench.EventType, at ms, as string) {
	r := e.s.Run
	e.s.Last = endState{
		Type: kind, Start: r.Start, Origin: r.Origin, Met: r.Met, NotBefore: r.NotBefore, End: at, Concluded: e.s.Now, Assumed: r.Assumed, Kind: as,
	}
	e.s.Run, e.s.Down, e.s.USB.Left = runState{}, downState{}, leftState{}
	e.s.Power.Dip, e.s.Power.Was = 0, 0
	e.s.Move.Stalled = 0
}

// afterEnd declares what the board does now, from the moment the run ended.
func (e *Engine) afterEnd(at ms, why string) {
	if e.blind(e.s.Now) {
		e.setMode(bench.Unknown, at, "nothing on USB and no readings")
		return
	}
	if e.s.Power.Low.N > 0 && e.s.Power.Off.N == 0 && e.p.Spec(bench.Standby) != nil {
		e.setMode(bench.Standby, at, why)
		return
	}
	e.setMode(bench.Off, at, why)
}

// startRun looks for the start of a run.
func (e *Engine) startRun(t ms) {
	if e.s.Run.Active || e.s.Run.Blocked {
		return
	}
	if e.blind(t) {
		e.startByUSB(t)
		return
	}
	s := &e.s.Power
	switch {
	case s.High.N >= 2:
		e.begin(max(s.High.Since, e.s.Last.End), !s.Ever && e.s.Last.End <= e.s.Gap.To, say("%v, two readings in a row above %v", s.Amps, e.p.StartsAbove))
	case e.s.USB.Present && e.st.Hookup.VBUS:
		e.startByUSB(t)
	case s.Low.N >= 2 && s.Off.N == 0 && e.s.USB.Present && !e.sawDown() && len(e.shown()) > 0:
		e.begin(s.Low.Since, true, say("%v on USB at first sight, drawing %v", e.s.USB.ID, s.Amps))
	}
}

// sawDown reports that the board was seen without power before.
func (e *Engine) sawDown() bool {
	return e.s.Last.End != 0 || e.s.Mode.Mode == bench.Off || e.s.Mode.Mode == bench.Standby
}

// startByUSB starts a run at the appearance on USB.
func (e *Engine) startByUSB(t ms) {
	u := &e.s.USB
	if !u.Present || e.s.Source.Told || u.Since <= e.s.Last.End {
		return
	}
	assumed, why := !u.Empty && u.Since-max(e.s.First, e.s.Gap.To) <= firstSight, say("%v appeared on USB", u.ID)
	if assumed {
		why = say("%v was on USB at first sight", u.ID)
	}
	e.begin(u.Since, assumed, why)
}

// begin starts a run. A board whose starting cannot be seen counts its window
// from here.
func (e *Engine) begin(at ms, assumed bool, why ...string) { e.beginAs("", at, assumed, why) }

func (e *Engine) beginAs(kind string, at ms, assumed bool, why []string) {
	e.s.Run = runState{Active: true, Start: at, Assumed: assumed}
	e.s.Power.forget()
	e.s.Move.Last = at
	if e.p.WindowFromPower {
		e.s.Run.Origin = at
	}
	e.emit(bench.RunStarted, at, bench.EventData{Kind: kind, Assumed: assumed, Window: length(e.window), Why: why})
	if e.startingSeen() {
		e.setMode(bench.Starting, at, why...)
		return
	}
	if e.s.Run.Origin == 0 {
		e.s.Run.Origin = max(at, e.s.Mode.Since)
	}
}

// startingSeen reports whether the new run begins in the mode starting: with
// current, and with no identity on the bus that already says more.
func (e *Engine) startingSeen() bool {
	return e.p.Spec(bench.Starting) != nil && !e.blind(e.s.Now) && !e.identified(e.s.Now)
}

// checkWindow tells that the window is met, on good evidence.
func (e *Engine) checkWindow(t ms) {
	r := &e.s.Run
	if !r.Active || r.Origin == 0 || r.Met != 0 || t-r.Origin < e.window || e.suspect(t) || !e.proven(t) {
		return
	}
	r.Met = t
	at := r.Origin + e.window
	e.emit(bench.WindowMet, at, bench.EventData{
		Mode: e.s.Mode.Mode, Uptime: length(at - r.Start), Window: length(e.window), Assumed: r.Assumed, Why: e.whyUp(),
	})
}

// suspect reports that the latest evidence speaks of a drop.
func (e *Engine) suspect(t ms) bool {
	s := &e.s.Power
	if _, away := e.leftFor(t); away && e.blind(t) {
		return true
	}
	if e.perhapsRestarting(t) {
		return true
	}
	if e.s.Gap.Open {
		return true // nobody knows yet
	}
	low := s.Low.N > 0 && (s.Off.N > 0 || !e.s.USB.Present) && !e.st.Hookup.VBUS
	dip := s.Dip > e.s.Run.Start && t-s.Dip <= together // what was low before the run says nothing of it
	return e.s.Down.Since != 0 || low || dip && !e.s.USB.Present
}

// proven reports good evidence of power at this very moment. Where there are
// only marks, the clock and the last mark have to do.
func (e *Engine) proven(t ms) bool {
	if e.st.Hookup.Path == bench.FromBattery {
		return e.s.USB.Present && !e.s.Source.Told || e.marksOnly()
	}
	if e.s.Power.Last == 0 && e.blind(t) {
		return e.s.USB.Present && !e.s.Source.Told // it never had readings
	}
	return e.s.Power.Last == t
}

// uptime is the length of the run at the given moment, unknown without one.
func (e *Engine) uptime(at ms) unit.Maybe[time.Duration] {
	if !e.s.Run.Active {
		return unit.Maybe[time.Duration]{}
	}
	return length(max(at-e.s.Run.Start, 0))
}
