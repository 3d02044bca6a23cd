package infer

import (
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// busAcross is what the bus says of a device across a time without a watch.
type busAcross string

const (
	busSilent  busAcross = ""        // nothing was said yet
	busSame    busAcross = "same"    // it kept its number: it was never off the bus
	busOther   busAcross = "other"   // another one, or the same enumerated again
	busUnknown busAcross = "unknown" // the same identity, and no numbers to compare
	busLeft    busAcross = "left"    // it is gone
	busNone    busAcross = "none"    // nothing was there before
)

// undecidedFor is how long what stands there after a time without a watch may
// be neither on nor off.
const undecidedFor ms = 5000

// skip takes up a watch after a time in which nobody watched. Up to its
// beginning time passed as usual; what waited for more to be told is concluded
// there, as at the end of a watch.
func (e *Engine) skip(c bench.Clock, wall int64) {
	long := millis(c.Gap)
	to := ms(wall - e.s.Base)
	from := max(to-long, e.s.Now)
	if to <= e.s.Now { // the clock was stepped back meanwhile
		from, to = e.s.Now, e.s.Now+long
		e.s.Base = wall - int64(to)
	}
	e.s.Old = false
	e.advance(from + 1)
	e.takeHeld()
	e.s.Now = from
	e.finish()
	e.s.Now = to
	e.unwatched(from, to, c.Rebooted)
}

// unwatched forgets what only a watch without a hole can tell: series of
// readings, and how long something has been quiet.
func (e *Engine) unwatched(from, to ms, rebooted bool) {
	e.openGap(from, to, rebooted)
	p, m, w, c, b := &e.s.Power, &e.s.Move, &e.s.Work, &e.s.Current, &e.s.Belief
	p.forget()
	p.Off, p.Mid, p.Low, p.High, p.Dip, p.Was, p.Ever = streak{}, streak{}, streak{}, streak{}, 0, 0, false
	e.s.VBUS.Off = streak{}
	if !e.s.Supply.Told {
		e.s.Supply.Lost = 0
	}
	e.s.USB.Empty, e.s.USB.URBs = false, unit.Maybe[uint64]{}
	m.Last, m.Ref, m.Slope, m.Busy, m.Hints, m.Hint = to, unit.Maybe[unit.Current]{}, 0, 0, 0, 0
	w.Moved, w.Assumed = to, w.Mode != ""
	c.Leaks, c.Overs, c.Sags, c.Seen = streak{}, streak{}, streak{}, 0
	b.Sum, b.N, b.Kept = 0, 0, 0
	clear(b.For)
}

// openGap notes the time without a watch, and that what stands there after it
// has to be judged where a run went on before. One that comes before the last
// was judged makes one of both.
func (e *Engine) openGap(from, to ms, rebooted bool) {
	last := e.s.Gap
	g := gapState{From: from, To: to, Rebooted: rebooted, Open: e.s.Run.Active, Up: max(e.lastUp(from), e.s.Run.Start), In: e.s.Mode.Mode}
	if last.Open {
		g.From, g.Up, g.In, g.Flowed, g.Rebooted = last.From, last.Up, last.In, last.Flowed, rebooted || last.Rebooted
		if last.Bus != busSame {
			g.Bus = last.Bus
		}
	}
	e.s.Gap = g
}

// lastUp is when the board was last seen up before the watch was left.
func (e *Engine) lastUp(t ms) ms {
	switch {
	case !e.blind(t) && e.s.Power.Last != 0:
		return e.s.Power.Last
	case e.absent() && e.s.USB.Gone != 0:
		return e.s.USB.Gone
	}
	return t
}

// busAfterGap takes the first that is said of the port after a time without a
// watch. It reports that nothing more is to be made of it.
func (e *Engine) busAfterGap(u bench.USB) bool {
	g, s := &e.s.Gap, &e.s.USB
	came := u.Change == bench.USBAdd
	switch {
	case !g.Open || u.Change == bench.USBDetails:
		return false
	case g.Bus == busLeft && came:
		g.Bus = busOther
	case g.Bus != busSilent:
	case !s.Present:
		g.Bus = busNone
	case !came:
		g.Bus = busLeft
	case s.ID != u.ID:
		g.Bus, g.Was = busOther, s.ID
	case s.Number == 0 || u.Number == 0 || g.Rebooted:
		g.Bus = busUnknown
	case s.Number != u.Number:
		g.Bus = busOther
	default:
		g.Bus = busSame
	}
	if g.Bus == busUnknown && s.Present && s.ID == u.ID {
		s.Number = u.Number
		return true
	}
	return false
}

// judgeGap decides, once what stands there is seen, what became of the run in a
// time without a watch.
func (e *Engine) judgeGap(t ms) {
	g := &e.s.Gap
	if !g.Open {
		return
	}
	g.Open = e.s.Run.Active
	g.Flowed = g.Flowed || e.s.Power.High.N > 0
	if !g.Open || e.s.Down.Since != 0 || !e.busSaid(t) || !e.standsUp(t) {
		return
	}
	g.Open = false
	switch {
	case g.Bus == busSame:
		e.goOn(bench.SameRun)
	case g.Bus == busOther && !e.plannedInGap(t):
		e.beginUnproven()
	default:
		e.goOn(bench.AssumedRun)
	}
}

// busSaid reports that the bus has told what stands there, or will not.
func (e *Engine) busSaid(t ms) bool {
	g := &e.s.Gap
	return !e.st.Hookup.USB || g.Bus != busSilent || e.s.Source.Told || t-g.To > blindAfter
}

// standsUp reports that nothing speaks for a drop in the time without a watch.
// A board that draws little may sleep, which its number on the bus tells; one
// that is fed by the bus may draw nothing.
func (e *Engine) standsUp(t ms) bool {
	g, s := &e.s.Gap, &e.s.Power
	fed := e.st.Hookup.VBUS && e.s.USB.Present
	switch {
	case e.blind(t):
		return g.Bus != busLeft || e.s.USB.Present
	case s.High.N > 0 || fed && g.Bus == busSame:
		return true
	case s.Low.N == 0 || s.Off.N > 0 && !fed:
		return false
	case g.Bus == busSame:
		return s.Low.N >= 2
	}
	return t-g.To > undecidedFor
}

// plannedInGap tells a restart that is part of the mode, where the time without
// a watch was no longer than one may take.
func (e *Engine) plannedInGap(t ms) bool {
	g, u := &e.s.Gap, &e.s.USB
	m := e.p.Spec(g.In)
	if m == nil || !m.Restarts || g.To-g.From > e.longestRestart(m, t) {
		return false
	}
	if u.Gone >= g.To && u.Gone < u.Since {
		return true // it was told as it came back
	}
	e.s.Counts.Restarts++
	e.emit(bench.RunRestarted, g.From, bench.EventData{Mode: m.Mode, Uptime: e.uptime(g.From), Why: []string{e.whyUnwatched(), e.whyOther()}})
	return true
}

// goOn lets the run go on. One that is only assumed to be the same counts its
// window, and with it a stay, from when it was watched again.
func (e *Engine) goOn(kind string) {
	g, r := &e.s.Gap, &e.s.Run
	g.Sure = kind == bench.SameRun
	if e.s.USB.Present && e.s.USB.Since >= g.To {
		e.moved(e.s.USB.Since)
	}
	g.Why = e.whyAcross()
	why := []string{e.whyUnwatched(), g.Why}
	if !g.Sure {
		r.Assumed, r.NotBefore = true, g.To
		if r.Origin != 0 && r.Met == 0 {
			r.Origin = max(r.Origin, g.To)
			why = append(why, "the window counts anew")
		}
	}
	e.emit(bench.RunUnwatched, g.From, bench.EventData{Kind: kind, Mode: e.s.Mode.Mode, Uptime: e.uptime(g.From), Assumed: r.Assumed, Why: why})
}

// beginUnproven begins another run: nothing shows what became of the one before.
func (e *Engine) beginUnproven() {
	g := &e.s.Gap
	g.Why = e.whyOther()
	why := []string{e.whyUnwatched(), g.Why, "nothing shows that the run before went on"}
	if w := &e.s.Watch; w.Armed != 0 && w.Goal.Kind == bench.GoalStay {
		why = append(why, say("the goal %s counts anew", w.Goal))
	}
	e.stallBefore()
	e.s.Run, e.s.Down, e.s.USB.Left = runState{}, downState{}, leftState{}
	e.beginAs(bench.Unproven, g.To, true, why)
}

// unseenDown is when a board went down that was found down after a time without
// a watch, and why nobody knows better; a board that was seen up since went
// down at the given time.
func (e *Engine) unseenDown(since ms, why string) downState {
	g := &e.s.Gap
	if !g.Open {
		return downState{Since: since, Why: why}
	}
	g.Open = false
	if g.Flowed {
		e.s.Run.Assumed = true
		return downState{Since: since, Why: why}
	}
	g.Sure, g.Why = true, "it went down in that time, and was last seen up at its beginning"
	e.s.Run.Assumed = true // nobody knows how long it lasted
	return downState{Since: g.Up, Why: why, Unseen: true}
}

// spans reports that the time without a watch lies in the run that goes on.
func (e *Engine) spans() bool {
	g, r := &e.s.Gap, &e.s.Run
	return g.To != 0 && !g.Open && r.Active && r.Start < g.To
}

// outOfSight is how much of the time since a moment nobody watched.
func (e *Engine) outOfSight(since ms) ms {
	g := &e.s.Gap
	return max(g.To-max(g.From, since), 0)
}

func (e *Engine) whyUnwatched() string {
	g := &e.s.Gap
	if g.Rebooted {
		return say("not watched for %s while benchvigil was stopped, and the computer may have been off", (g.To - g.From).words())
	}
	return say("not watched for %s while benchvigil was stopped", (g.To - g.From).words())
}

// whyAcross says what shows, or does not, that the run went on.
func (e *Engine) whyAcross() string {
	g, flowed := &e.s.Gap, "the current flowed at once"
	switch {
	case e.blind(e.s.Now) && g.Bus == busSame:
		return "the device kept its number on the bus"
	case e.blind(e.s.Now) && e.s.USB.Present:
		return say("%v is on USB, but nothing shows that it was all the time", e.s.USB.ID)
	case e.blind(e.s.Now):
		return "nothing shows that it stayed up, and nothing speaks against it"
	case e.s.Power.High.N == 0:
		flowed = say("%v flowed at once", e.s.Power.Amps)
	}
	switch g.Bus {
	case busSame:
		return "the device kept its number on the bus and " + flowed
	case busLeft:
		return flowed + ", but the device has left the bus"
	case busOther:
		return flowed + ", but the device was enumerated again"
	}
	return flowed + ", but nothing shows that it flowed all the time"
}

func (e *Engine) whyOther() string {
	g, u := &e.s.Gap, &e.s.USB
	if g.Was != (bench.USBID{}) && g.Was != u.ID {
		return say("%v is on USB, where %v was before", u.ID, g.Was)
	}
	return "the device has another number on the bus: it was enumerated again"
}

// gapView shows a time without a watch for as long as it matters to the run
// that is shown.
func (e *Engine) gapView() *bench.GapView {
	g, r := &e.s.Gap, &e.s.Run
	if g.To == 0 || !g.Open && (g.Why == "" || r.Active && r.Start > g.To || !r.Active && e.s.Last.Start > g.To) {
		return nil
	}
	why := g.Why
	if g.Open {
		why = "what stands there is looked at"
	}
	return &bench.GapView{From: e.wall(g.From), To: e.wall(g.To), Rebooted: g.Rebooted, Judged: !g.Open, Sure: g.Sure, Why: why}
}
