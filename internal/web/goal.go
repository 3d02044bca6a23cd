package web

import (
	"fmt"
	"time"

	"benchvigil/internal/bench"
)

// Goals are what can be armed by one key or tap; anything else is typed.
type Goals []GoalChoice

// GoalChoice is one goal that can be armed, and its key.
type GoalChoice struct {
	Key  int
	Goal string // in its text form
	Text string
}

func goals() Goals {
	var out Goals
	for i, g := range []bench.Goal{
		{Kind: bench.GoalStay},
		{Kind: bench.GoalStay, For: time.Hour},
		{Kind: bench.GoalStay, For: 4 * time.Hour},
		{Kind: bench.GoalStay, For: 12 * time.Hour},
		{Kind: bench.GoalReach, Mode: bench.Running, Within: time.Hour},
		{Kind: bench.GoalReach, Mode: bench.Running, Within: 3 * time.Hour},
		{Kind: bench.GoalCopy},
		{Kind: bench.GoalRePair},
	} {
		text := capital(g.String())
		if g == (bench.Goal{Kind: bench.GoalStay}) {
			text = "Stay its window"
		}
		out = append(out, GoalChoice{i + 1, g.String(), text})
	}
	return out
}

// showGoal says how far an armed goal has come: it is what is waited for, in
// the place of the window.
func (t *Tile) showGoal(s *bench.Snapshot, c clock) {
	w := s.Watch
	t.Goal, t.GoalBy = w.Goal.String(), armedBy(w, c)
	t.Wait = capital(t.Goal)
	t.Brief.Wait = capital(bench.Goal{Kind: w.Goal.Kind, Mode: w.Goal.Mode}.String())
	end, spent := w.From.Add(w.Takes), s.At.Sub(w.From)
	switch {
	case w.From.IsZero() && s.Run == nil:
		t.Window = uncapital(waitWithoutRun(s))
	case w.From.IsZero():
		t.Window = "begins after the start"
	case w.Takes == 0:
		t.Window = "for " + span(spent)
	case s.At.Before(end):
		t.Window, t.Until = span(spent)+" of "+spanRound(w.Takes), "ends"
		t.End, t.Left = c.at(end), span(end.Sub(s.At).Round(time.Second))
		t.Done = fmt.Sprintf("%.1f", 100*max(spent.Seconds(), 0)/w.Takes.Seconds())
		if w.Goal.Kind != bench.GoalStay {
			t.Until = "late"
		}
	default:
		t.Window, t.Done = span(w.Takes)+" over, not proven yet", "100"
	}
}

// armedBy says who armed the goal, and when.
func armedBy(w *bench.WatchView, c clock) string {
	switch w.By {
	case "":
		return c.at(w.Armed)
	case bench.Automatic:
		return "by itself, " + c.at(w.Armed)
	}
	return w.By + ", " + c.at(w.Armed)
}

// forgotten says that nobody waits any more for a goal that was armed.
func forgotten(s *bench.Snapshot, c clock) []Trouble {
	w := s.Forgotten
	if w == nil {
		return nil
	}
	return []Trouble{{Action, "Goal not armed", capital(w.Goal.String()) + " was armed before benchvigil was restarted, at " + c.at(w.Armed) + ": arm it again."}}
}

// lastWatch says how the watch before ended, until it is put away.
func lastWatch(s *bench.Snapshot, c clock) []Trouble {
	w := s.LastWatch
	if w == nil {
		return nil
	}
	goal, when := capital(w.Goal.String()), c.at(w.Ended)
	switch {
	case w.EndedAs == bench.WatchDone && (s.Run == nil || s.Watch != nil):
		return []Trouble{{Neutral, "", goal + ": done at " + when + "."}}
	case w.EndedAs == bench.WatchDone:
		return []Trouble{{Normal, "Done", goal + ": done at " + when + "."}}
	case w.Kind == bench.WatchDropped || w.Kind == bench.WatchLate:
		return []Trouble{{Abnormal, "Goal missed", told(goal+": missed at "+when, w.Why) + "."}}
	}
	return []Trouble{{Neutral, "", told(goal+": ended at "+when, w.Why) + "."}}
}

// watchSentence says an event of a watch in plain words.
func watchSentence(e bench.Event) string {
	d := e.Data
	switch {
	case e.Type == bench.WatchArmed && d.By == bench.Automatic:
		return told("Goal armed by itself", d.Goal)
	case e.Type == bench.WatchArmed && d.Kind == bench.Resumed:
		return told("Goal goes on", d.Goal)
	case e.Type == bench.WatchArmed:
		return told("Goal armed"+by(d), d.Goal)
	case e.Type == bench.WatchDone && d.Kind == bench.WatchMarked:
		return told("Goal done, marked"+by(d), d.Goal)
	case e.Type == bench.WatchDone:
		return told("Goal done", d.Goal)
	}
	who := by(d)
	if who == "" {
		who = " by another"
	}
	how := map[string]string{
		bench.WatchDropped: "Goal missed by the drop", bench.WatchLate: "Goal missed, too late", bench.WatchStopped: "Goal ended with the run",
		bench.WatchDisarmed: "Goal disarmed" + by(d), bench.WatchReplaced: "Goal replaced" + who,
	}[d.Kind]
	return told(how, d.Goal)
}
