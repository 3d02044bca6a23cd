package infer

import (
	"time"

	"benchvigil/internal/bench"
)

// Times of a watch.
const (
	reachedFor ms = 5000 // a mode must stand this long to be reached: some only flash by
	lateAfter  ms = 5000 // a mode may be known this long after it was reached
)

// watchState is the goal that is armed, and how the one before it ended.
type watchState struct {
	Armed  ms // since when, 0: none is
	Goal   bench.Goal
	By     string
	Paired ms     // re-pairing was first seen in it
	Heard  uint64 // events that were judged
	Last   endedWatch
}

// endedWatch is how a watch ended, until it is put away.
type endedWatch struct {
	Ended, Armed ms
	Goal         bench.Goal
	By           string
	Type         bench.EventType
	Kind, Why    string
}

// Armed reports that a goal is armed.
func (e *Engine) Armed() bool { return e.s.Watch.Armed != 0 }

// AutoGoal is the goal to arm by itself when a mode is entered, where there is
// one that fits the mode and somebody watches: not on a board that was stopped.
func (e *Engine) AutoGoal(m bench.Mode) (bench.Goal, bool) {
	s := e.p.Spec(m)
	switch {
	case s == nil || e.s.Run.Blocked:
	case m == bench.Restoring:
		return bench.Goal{Kind: bench.GoalReach, Mode: bench.Running, Within: longest(s.Most)}, true
	case m == bench.RePairing:
		return bench.Goal{Kind: bench.GoalRePair, Within: s.Most}, true
	}
	return bench.Goal{}, false
}

// longestRestore is the limit where a profile has none.
const longestRestore = 6 * time.Hour

func longest(most time.Duration) time.Duration {
	if most == 0 {
		return longestRestore
	}
	return most
}

// watchMark takes what a person said about the watch.
func (e *Engine) watchMark(t ms, m bench.Mark) {
	armed := e.s.Watch.Armed != 0
	switch {
	case m.Kind == bench.MarkArm:
		if g, err := bench.ParseGoal(m.Text); err == nil {
			e.arm(t, g, m.By)
		}
	case m.Kind == bench.MarkDone && armed:
		e.endWatch(bench.WatchDone, t, bench.EventData{Kind: bench.WatchMarked, By: m.By, Why: marked(m, "%s said that it is done").Why})
	case m.Kind == bench.MarkDisarm && armed:
		e.endWatch(bench.WatchFailed, t, bench.EventData{Kind: bench.WatchDisarmed, By: m.By, Why: marked(m, "%s disarmed it").Why})
		e.s.Watch.Last = endedWatch{}
	case m.Kind == bench.MarkDisarm:
		e.s.Watch.Last = endedWatch{}
	}
}

// arm begins to wait for a goal, in the place of the one before. How that ended
// is put away, unless nobody was there to see it.
func (e *Engine) arm(t ms, g bench.Goal, by string) {
	var last endedWatch
	if by == bench.Automatic {
		last = e.s.Watch.Last
	}
	if e.s.Watch.Armed != 0 {
		e.endWatch(bench.WatchFailed, t, bench.EventData{
			Kind: bench.WatchReplaced, By: by, Why: []string{say("%s armed %s in its place", orSomebody(by), g)},
		})
	}
	e.s.Watch = watchState{Armed: t, Goal: g, By: by, Last: last}
	d := bench.EventData{Goal: g.String(), By: by, Mode: e.s.Mode.Mode, Uptime: e.uptime(t), Why: e.whyArmed()}
	if g.Kind == bench.GoalStay {
		d.Window = length(e.takes(g))
	}
	e.emit(bench.WatchArmed, t, d)
	e.s.Watch.Heard = e.s.Events
}

// resumeWatch takes up again the goal that a mistaken stop has ended, as it was
// armed, unless another was armed since or its end was put away.
func (e *Engine) resumeWatch(ended ms, by string, why []string) {
	w, l := &e.s.Watch, e.s.Watch.Last
	if w.Armed != 0 || l.Kind != bench.WatchStopped || l.Ended != max(ended, l.Armed) {
		return
	}
	e.s.Watch = watchState{Armed: l.Armed, Goal: l.Goal, By: l.By}
	d := bench.EventData{Kind: bench.Resumed, Goal: l.Goal.String(), By: by, Mode: e.s.Mode.Mode, Uptime: e.uptime(e.s.Now), Why: why}
	if l.Goal.Kind == bench.GoalStay {
		d.Window = length(e.takes(l.Goal))
	}
	e.emit(bench.WatchArmed, l.Armed, d)
	e.s.Watch.Heard = e.s.Events
}

// checkWatch judges the armed goal, first by what was concluded since, then by
// what stands now.
func (e *Engine) checkWatch(t ms) {
	w := &e.s.Watch
	if n := e.s.Events - w.Heard; n > 0 {
		e.hear(e.out[len(e.out)-int(min(n, uint64(len(e.out)))):])
		w.Heard = e.s.Events
	}
	switch {
	case w.Armed == 0:
	case w.Goal.Kind == bench.GoalStay:
		e.judgeStay(t)
	default:
		e.judgeReached(t)
	}
}

// hear takes what was concluded: the end of the run is the end of its watch,
// unless the run ended before the goal was armed: then it waits for the next.
func (e *Engine) hear(events []bench.Event) {
	for i := range events {
		ev := &events[i]
		switch {
		case ev.Type == bench.RunReclassified:
			e.forgive(ev)
		case e.s.Watch.Armed == 0 || e.momentOf(ev) < e.s.Watch.Armed:
		case ev.Type == bench.RunDropped:
			why := append([]string{e.whyDropped(ev)}, ev.Data.Why...)
			e.runEnded(ev, bench.EventData{Kind: bench.WatchDropped, Why: why})
		case ev.Type == bench.RunStopped:
			e.runEnded(ev, bench.EventData{Kind: bench.WatchStopped, By: ev.Data.By, Why: ev.Data.Why})
		}
	}
}

func (e *Engine) runEnded(ev *bench.Event, d bench.EventData) {
	d.Mode, d.Uptime = ev.Data.Mode, ev.Data.Uptime
	e.endWatch(bench.WatchFailed, e.momentOf(ev), d)
}

// forgive takes back that the watch failed by the board's doing.
func (e *Engine) forgive(ev *bench.Event) {
	l := &e.s.Watch.Last
	if l.Kind == bench.WatchDropped && l.Ended == max(e.momentOf(ev), l.Armed) {
		l.Kind, l.Why = bench.WatchStopped, ev.Data.Why[0]
	}
}

func (e *Engine) momentOf(ev *bench.Event) ms { return ms(ev.Time.UnixMilli() - e.s.Base) }

// judgeStay tells that the board stayed powered for long enough, on good
// evidence.
func (e *Engine) judgeStay(t ms) {
	g := e.s.Watch.Goal
	from, takes := e.countsFrom(e.s.Run.Origin), e.takes(g)
	if from == 0 || t-from < takes || !e.wellSeen(t) {
		return
	}
	why := append([]string{whyStayed(t-from, takes)}, e.whyUp()...)
	e.endWatch(bench.WatchDone, from+takes, bench.EventData{Why: why})
}

// whyStayed says how long it was up, and what was wanted where that reads
// differently.
func whyStayed(upFor, takes ms) string {
	if upFor.words() == takes.words() {
		return say("up for %s, as wanted", takes.words())
	}
	return say("up for %s, %s were wanted", upFor.words(), takes.words())
}

// judgeReached tells that the mode is reached, on good evidence, or that it is
// too late for that.
func (e *Engine) judgeReached(t ms) {
	w := &e.s.Watch
	at, due := e.reachedAt(), w.Armed+millis(w.Goal.Within)
	limited := w.Goal.Within != 0
	switch {
	case at != 0 && (!limited || at <= due):
		if t-max(at, e.s.Gap.To) >= reachedFor && e.wellSeen(t) && !e.s.Source.Told {
			why := append([]string{say("%s for %s", e.p.Label(e.s.Mode.Mode), (t - at).words())}, e.whyUp()...)
			e.endWatch(bench.WatchDone, at, bench.EventData{Why: why})
		}
	case limited && t-max(due, e.s.Gap.To) >= lateAfter && !(e.s.Run.Active && e.suspect(t)):
		e.endWatch(bench.WatchFailed, due, bench.EventData{Kind: bench.WatchLate, Why: e.whyLate(t, at)})
	}
}

// reachedAt is since when the goal's mode stands, 0 while it does not. A
// re-pairing must have been seen, before the board that comes back from it.
func (e *Engine) reachedAt() ms {
	w, m := &e.s.Watch, &e.s.Mode
	if !e.s.Run.Active {
		return 0
	}
	if m.Mode == bench.RePairing && w.Paired == 0 {
		w.Paired = max(m.Since, w.Armed)
	}
	switch {
	case w.Goal.Kind == bench.GoalReach && m.Mode == w.Goal.Mode:
		return max(m.Since, w.Armed)
	case w.Goal.Kind != bench.GoalRePair || w.Paired == 0:
		return 0
	case e.s.Screen.At > w.Paired && (e.s.Screen.Screen == bench.ScreenLock || e.s.Screen.Screen == bench.ScreenUnlocked):
		return e.s.Screen.At
	case m.Mode == bench.Running:
		return max(m.Since, w.Armed)
	}
	return 0
}

// wellSeen reports good evidence that the board is up at this very moment.
func (e *Engine) wellSeen(t ms) bool { return e.s.Run.Active && !e.suspect(t) && e.proven(t) }

// countsFrom is from when the time of the goal counts in a run whose window
// counts from origin, 0: not yet. A stay of the station's window counts as the
// window does; one of another length from when it was armed, but no earlier.
func (e *Engine) countsFrom(origin ms) ms {
	w := &e.s.Watch
	switch {
	case w.Goal.Kind != bench.GoalStay:
		return w.Armed
	case origin == 0 || w.Goal.For == 0:
		return origin
	}
	return max(w.Armed, origin)
}

// takes is how long a stay must last, or the longest that another goal may
// take, 0 for as long as it likes.
func (e *Engine) takes(g bench.Goal) ms {
	switch {
	case g.Kind != bench.GoalStay:
		return millis(g.Within)
	case g.For == 0:
		return e.window
	}
	return millis(g.For)
}

// copying reports that a copy is watched and the board is up for it.
func (e *Engine) copying() bool {
	return e.s.Watch.Armed != 0 && e.s.Watch.Goal.Kind == bench.GoalCopy && e.s.Run.Active
}

// endWatch tells how the watch ended. Nothing happened to it before it was
// armed.
func (e *Engine) endWatch(as bench.EventType, at ms, d bench.EventData) {
	w := &e.s.Watch
	at = max(at, w.Armed)
	d.Goal = w.Goal.String()
	if w.Goal.Kind == bench.GoalStay {
		d.Window = length(e.takes(w.Goal))
	}
	if d.Mode == "" {
		d.Mode, d.Uptime = e.s.Mode.Mode, e.uptime(at)
	}
	switch {
	case as == bench.WatchDone:
		e.s.Counts.WatchesDone++
	case d.Kind == bench.WatchDropped || d.Kind == bench.WatchLate:
		e.s.Counts.WatchesFailed++
	}
	w.Last = endedWatch{Ended: at, Armed: w.Armed, Goal: w.Goal, By: w.By, Type: as, Kind: d.Kind, Why: d.Why[0]}
	w.Armed, w.Paired = 0, 0
	e.emit(as, at, d)
}

func (e *Engine) watchView() *bench.WatchView {
	w := &e.s.Watch
	if w.Armed == 0 {
		return nil
	}
	return &bench.WatchView{
		Goal: w.Goal, By: w.By, Armed: e.wall(w.Armed), From: e.shownAt(e.countsFrom(e.s.Run.Origin)), Takes: e.takes(w.Goal).span(),
	}
}

func (e *Engine) lastWatchView() *bench.WatchView {
	l := &e.s.Watch.Last
	if l.Ended == 0 {
		return nil
	}
	return &bench.WatchView{
		Goal: l.Goal, By: l.By, Armed: e.wall(l.Armed), Takes: e.takes(l.Goal).span(),
		Ended: e.wall(l.Ended), EndedAs: l.Type, Kind: l.Kind, Why: l.Why,
	}
}

func (e *Engine) whyArmed() []string {
	w := &e.s.Watch
	why := []string{say("%s armed it", orSomebody(w.By))}
	if w.By == bench.Automatic {
		why[0] = say("armed by itself in %s", e.p.Label(e.s.Mode.Mode))
	}
	mode := w.Goal.Mode
	if w.Goal.Kind == bench.GoalRePair {
		mode = bench.RePairing
	}
	if mode != "" && e.p.Spec(mode) == nil {
		why = append(why, say("the profile %s has no mode %s: it will not be seen", e.p.Name, mode))
	}
	return why
}

// whyDropped says how the run ended, and for a stay how much of it was over.
func (e *Engine) whyDropped(ev *bench.Event) string {
	w, at := &e.s.Watch, e.momentOf(ev)
	from := e.countsFrom(e.s.Last.Origin)
	switch {
	case w.Goal.Kind != bench.GoalStay:
		return say("dropped (%s) after %s", ev.Data.Kind, millis(ev.Data.Uptime.Or(0)).words())
	case from == 0 || at < from:
		return say("dropped (%s) before its time began to count, %s were wanted", ev.Data.Kind, e.takes(w.Goal).words())
	}
	return say("dropped (%s) after %s, %s were wanted", ev.Data.Kind, (at - from).words(), e.takes(w.Goal).words())
}

func (e *Engine) whyLate(t, at ms) []string {
	w := &e.s.Watch
	limit, mode := millis(w.Goal.Within).words(), e.s.Mode.Mode
	what := map[bench.GoalKind]string{
		bench.GoalReach: "not " + e.p.Label(w.Goal.Mode), bench.GoalRePair: "not back from the re-pairing", bench.GoalCopy: "nobody said that the copy is done",
	}[w.Goal.Kind]
	why := []string{say("%s within %s", what, limit)}
	switch {
	case at != 0:
		why = append(why, "it came just after that")
	case !e.s.Run.Active:
		why = append(why, "no run goes on")
	case mode != bench.Unknown:
		why = append(why, say("%s for %s", e.p.Label(mode), (t-e.s.Mode.Since).words()))
	}
	if e.s.Move.Stalled != 0 {
		why = append(why, say("nothing has moved for %s", (t-e.s.Move.Stalled).words()))
	}
	if due := w.Armed + millis(w.Goal.Within); due > e.s.Gap.From && due <= e.s.Gap.To {
		why = append(why, say("its time ended while nobody watched: %s", e.whyUnwatched()))
	}
	if e.s.Supply.Told || e.s.Source.Told {
		why = append(why, "it may be that it was not seen: a source is lost")
	}
	return why
}
