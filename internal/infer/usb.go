package infer

import (
	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

// usb takes one change on the port. A repeated add of the same device is the
// source looking again; another identity in its place means that it went and
// came between two looks.
func (e *Engine) usb(t ms, u bench.USB) {
	s := &e.s.USB
	if e.s.Source.Told && u.Change != bench.USBDetails {
		e.sourceNews(t, bench.USBSource{Change: bench.Back}) // it sees again
	}
	if e.busAfterGap(u) {
		return
	}
	switch u.Change {
	case bench.USBDetails:
		s.Serial = u.Serial
	case bench.USBRemove:
		s.Empty = true
		e.usbGone(t)
	case bench.USBAdd:
		if s.Present && s.ID == u.ID && s.sameNumber(u.Number) {
			s.Number = max(s.Number, u.Number)
			return
		}
		e.usbGone(t)
		e.usbCame(t, u)
	}
	if u.Change != bench.USBDetails {
		s.Known = true
	}
}

// sameNumber reports that nothing shows another enumeration.
func (s *usbState) sameNumber(n int) bool { return s.Number == 0 || n == 0 || s.Number == n }

func (e *Engine) usbGone(t ms) {
	s := &e.s.USB
	if !s.Present {
		return
	}
	s.Present, s.Gone = false, t
	s.Left = leftState{Mode: e.s.Mode.Mode, Level: e.s.Power.Level, Spread: e.s.Power.usualSpread(), MayRestart: e.mayRestart()}
	s.URBs = unit.Maybe[uint64]{}
	e.s.Move.Last = t
}

func (e *Engine) usbCame(t ms, u bench.USB) {
	s := &e.s.USB
	if e.restartedInRunning(t, u.ID) {
		e.heldReset()
	} else {
		e.noteRestart(t, u.ID)
	}
	s.Present, s.ID, s.Number, s.Since, s.Serial = true, u.ID, u.Number, t, u.Serial
	e.s.Power.forget()
	if e.s.Gap.Open {
		e.s.Move.Last = t // whether that is a movement shows once the gap is judged
		return
	}
	e.moved(t)
}

// usualSpread is how far the level is from its mean, usually; much, as long as
// that is not known.
func (s *powerState) usualSpread() unit.Current {
	if s.Levels < spreadOver/2 {
		return max(s.Spread, scale(s.Level.Or(0), leftFresh/leftSpread))
	}
	return s.Spread
}

// mayRestart reports that a mode with planned restarts is not out of the
// question, though another is in force.
func (e *Engine) mayRestart() bool {
	for i, m := range e.m.modes {
		if m.Restarts && e.isOpen(i) && e.believes(i) > mayBe {
			return true
		}
	}
	return false
}

// noteRestart tells that the device came back within the gap of a mode in
// which it is expected to restart.
func (e *Engine) noteRestart(t ms, id bench.USBID) {
	s, m := &e.s.USB, e.p.Spec(e.s.USB.Left.Mode)
	if !e.s.Run.Active || e.s.Down.Since != 0 || s.Gone < e.s.Run.Start || m == nil || !m.Restarts {
		return
	}
	if t == s.Gone || t-s.Gone > e.longestRestart(m, t) {
		return
	}
	e.s.Counts.Restarts++
	why := []string{say("gone from USB for %s and back as %v", (t - s.Gone).words(), id)}
	if e.s.Power.Last > s.Gone {
		why = append(why, "the current never stayed off")
	}
	e.emit(bench.RunRestarted, s.Gone, bench.EventData{Mode: m.Mode, Uptime: e.uptime(s.Gone), Why: why})
}

// longestRestart is how long a device may be gone for a restart: the gap of its
// mode, and where readings show that power was held a whole start more.
func (e *Engine) longestRestart(m *profile.Spec, t ms) ms {
	gap := millis(m.Absence())
	if start := e.p.Spec(bench.Starting); start != nil && !e.blind(t) {
		return gap + millis(start.Most)
	}
	return gap
}

// restartedInRunning reports that a board which ran has started again with
// power held: gone for longer than a re-enumeration and no longer than a start,
// back as it was, and drawing another current meanwhile. A cable that was out
// changes little.
func (e *Engine) restartedInRunning(t ms, id bench.USBID) bool {
	s, run, start := &e.s.USB, e.p.Spec(bench.Running), e.p.Spec(bench.Starting)
	if s.Left.Mode != bench.Running || s.Left.MayRestart || run == nil || start == nil || !among(e.byID[id], bench.Running) {
		return false
	}
	if !e.s.Run.Active || e.s.Down.Since != 0 || s.Gone <= e.s.Run.Start || e.blind(t) || e.st.Hookup.VBUS {
		return false
	}
	away := t - s.Gone
	return away > millis(run.Absence()) && (start.Most == 0 || away <= millis(start.Most)) && s.Left.changed()
}

// perhapsRestarting reports a board that ran, has left the bus, and may be
// starting again with power held: that is known once it is back, or once the
// current has gone on as before.
func (e *Engine) perhapsRestarting(t ms) bool {
	l, start := &e.s.USB.Left, e.p.Spec(bench.Starting)
	away, gone := e.leftFor(t)
	if !gone || e.s.USB.Gone < e.s.Run.Start || l.Mode != bench.Running || start == nil || e.blind(t) {
		return false
	}
	if start.Most > 0 && away > millis(start.Most) {
		return e.weak(e.s.Power.Amps)
	}
	return l.Seconds < 3 || l.changed()
}

// changed reports that the current was another one most of the time since.
// A start changes it at once, and goes on changing or draws more; what changes
// later, or falls and stays, is a board without its cable, such as a screen that
// goes dark.
func (l *leftState) changed() bool {
	starts := 2*l.Rose >= l.Changed || 10*l.Moved >= l.Seconds
	return l.Seconds >= 3 && 2*l.Changed >= l.Seconds && l.AtOnce && starts
}

// heldReset tells a restart with power held, and begins the run that followed.
func (e *Engine) heldReset() {
	at := e.s.USB.Gone
	why := say("gone from USB while the current changed from %v: it started again", e.s.USB.Left.Level.Or(0))
	e.s.Down = downState{Since: at, Why: why, In: e.s.USB.Left.Mode}
	e.drop(bench.Reset, append([]string{why}, e.whyHeld("power was held")...))
	e.begin(at, false, why)
}

// watchLeft follows the current of a board whose device has left the bus.
func (e *Engine) watchLeft(from ms, now second) {
	l := &e.s.USB.Left
	ref, ok := l.Level.Get()
	if !e.absent() || from < e.s.USB.Gone || !ok {
		return
	}
	l.Seconds++
	if max(now.level-ref, ref-now.level) > max(leftFloor, scale(ref, leftShare), leftSpread*l.Spread) {
		l.Changed++
		l.AtOnce = l.AtOnce || l.Seconds <= 2
		if now.level > ref {
			l.Rose++
		}
	}
	if l.Seconds > 2 && max(now.level-l.Last, l.Last-now.level) > max(movesFloor, scale(ref, movesShare)) {
		l.Moved++
	}
	l.Last = now.level
}

// sourceNews takes what the USB watch says of itself. What stands there is
// said again after it is back.
func (e *Engine) sourceNews(t ms, n bench.USBSource) {
	v := &e.s.Source
	switch n.Change {
	case bench.Lost:
		if v.Told {
			return
		}
		*v = sightState{Lost: t, Told: true, Reason: n.Error, Heard: t}
		e.emit(bench.USBLost, t, bench.EventData{Mode: e.s.Mode.Mode, Why: reasons(n.Error)})
	case bench.Back:
		if v.Told {
			e.emit(bench.USBBack, t, bench.EventData{Mode: e.s.Mode.Mode, Why: []string{
				say("the USB watch works again after %s", (t - v.Lost).words()),
			}})
		}
		*v = sightState{}
	case bench.Trouble:
		v.Reason, v.Heard = n.Error, t
	}
}

// absent reports that the watched port is known to be empty.
func (e *Engine) absent() bool {
	s := &e.s.USB
	return s.Known && !s.Present && !e.s.Source.Told
}

// goneOrNeverSeen is the USB half of the evidence for a drop to standby.
func (e *Engine) goneOrNeverSeen() bool { return e.absent() || !e.s.USB.Known }

// linkAgrees is what a board that bus power feeds too asks of every drop: USB
// must be gone, or a meter must show that nothing comes from there either.
func (e *Engine) linkAgrees() bool {
	return !e.st.Hookup.VBUS || e.absent() || e.vbusOff()
}

// vbusOff reports that a meter on USB bus power shows nothing flowing.
func (e *Engine) vbusOff() bool {
	v := &e.s.VBUS
	return v.Off.N >= 2 && e.s.Now-v.At <= vbusFresh
}

// leftFor reports for how long the device was seen to be gone; false while it is
// there, was never there, or cannot be seen.
func (e *Engine) leftFor(t ms) (ms, bool) {
	if !e.absent() || e.s.USB.Gone == 0 {
		return 0, false
	}
	return t - e.s.USB.Gone - e.outOfSight(e.s.USB.Gone), true
}

// overdue reports a device that was there in this run and is away for longer
// than its mode lets it, while the current flows on: most likely the cable is
// out. It concludes nothing.
func (e *Engine) overdue(t ms) bool {
	away, ok := e.leftFor(t)
	switch {
	case !ok || !e.s.Run.Active || e.s.USB.Gone < e.s.Run.Start:
		return false
	case e.blind(t) || e.suspect(t) || e.s.Power.Off.N > 0:
		return false // it is not known to draw anything
	case e.s.Mode.Mode == bench.Starting || e.meantToBeGone():
		return false
	}
	return away > max(e.mayBeGone(t), overdueAfter)
}

// mayBeGone is how long the mode in which the device left lets it be away.
func (e *Engine) mayBeGone(t ms) ms {
	left := e.p.Spec(e.s.USB.Left.Mode)
	switch {
	case left == nil:
		return millis(e.p.Gap)
	case left.Restarts:
		return e.longestRestart(left, t)
	}
	return millis(left.Absence())
}

// meantToBeGone reports a mode that shows nothing on the bus and is there for
// certain: sleep tells by its current, the others when somebody saw the screen.
func (e *Engine) meantToBeGone() bool {
	m := e.s.Mode.Mode
	return among(e.silent, m) && (m == bench.Asleep || e.s.Screen.At >= e.s.USB.Gone)
}

// absence is how long the mode lets the device be away.
func (e *Engine) absence() ms {
	if m := e.p.Spec(e.s.Mode.Mode); m != nil {
		return millis(m.Absence())
	}
	return millis(e.p.Gap)
}

// identified reports an identity on the port that says something. A device
// that was there before the last drop is not believed for a while: hubs tell
// late, and a board without power cannot answer.
func (e *Engine) identified(t ms) bool {
	u := &e.s.USB
	l := &e.s.Last
	stale := l.Type == bench.RunDropped && u.Since < l.End && t-l.End < staleFor && !e.st.Hookup.VBUS && !e.blind(t)
	return u.Present && !stale
}

// shown lists the modes that the identity now on the port stands for.
func (e *Engine) shown() []*profile.Spec { return e.byID[e.s.USB.ID] }
