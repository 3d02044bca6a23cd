package web

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
)

// What is armed is what the tile waits for, in the place of the window.
func TestShowGoal(t *testing.T) {
	want := map[string][]string{
		"running":            {"Window", "2 min 03 s of 3 min 30 s", "ends", "02:59:39", "1 min 27 s", "58.6", "", ""},
		"goal armed":         {"Reach running within 3h", "43 min 00 s of 3 h", "late", "05:15:12", "2 h 17 min", "23.9", "reach running within 3h", "by itself, 02:15:12"},
		"copy armed":         {"Copy", "for 20 min 00 s", "", "", "", "", "copy", "kim, 02:38:12"},
		"armed before power": {"Stay 3h", "waiting for power", "", "", "", "", "stay 3h", "kim, 02:56:12"},
	}
	got := map[string][]string{}
	for _, c := range allStates() {
		if n := tileNow(c.s); want[c.what] != nil {
			got[c.what] = []string{n.Wait, n.Window, n.Until, n.End, n.Left, n.Done, n.Goal, n.GoalBy}
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// A stay counts from the end of the start, and that its time is over is not yet
// that it is done.
func TestShowStay(t *testing.T) {
	for _, tc := range []struct {
		name   string
		from   time.Time
		window string
		done   string
	}{
		{"starting", time.Time{}, "begins after the start", ""},
		{"just begun", night, "0 s of 1 h", "0.0"},
		{"over", ago(61 * time.Minute), "1 h 00 min over, not proven yet", "100"},
	} {
		got := tileNow(changed(running(), func(s *bench.Snapshot) {
			s.Watch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalStay, For: time.Hour}, Armed: ago(2 * time.Hour), From: tc.from, Takes: time.Hour}
		}))
		if got.Wait != "Stay 1h" || got.Window != tc.window || got.Done != tc.done || got.GoalBy != "00:58:12" {
			t.Errorf("%s: %q, %q, %q, %q", tc.name, got.Wait, got.Window, got.Done, got.GoalBy)
		}
	}
}

// Everything that is offered can be armed, each by a key of its own.
func TestGoalChoices(t *testing.T) {
	root := page(t, marking(t, &marked{}), "/")
	buttons := all(one(t, root, "div", "goals"), "button", "")
	if len(buttons) != len(goals()) || len(buttons) > 9 {
		t.Fatalf("%d buttons for %d goals", len(buttons), len(goals()))
	}
	for i, g := range goals() {
		if again, err := bench.ParseGoal(g.Goal); err != nil || again.String() != g.Goal {
			t.Errorf("%q cannot be armed: %v", g.Goal, err)
		}
		if attribute(buttons[i], "value") != "arm "+g.Goal || attribute(buttons[i], "data-key") != fmt.Sprint(i+1) {
			t.Errorf("button %d arms %q by key %q", i+1, attribute(buttons[i], "value"), attribute(buttons[i], "data-key"))
		}
	}
}

// The dialog learns from the form what is armed or can be put away.
func TestDialogKnowsTheGoal(t *testing.T) {
	root := page(t, marking(t, &marked{}), "/")
	for what, want := range map[string][2]string{"running": {"", ""}, "copy armed": {"copy", ""}, "goal missed": {"", "yes"}} {
		tile := all(root, "article", "tile")[number(t, stationOf(what))-1]
		form := one(t, tile, "form", "marks")
		if got := [2]string{attribute(form, "data-goal"), attribute(form, "data-ended")}; got != want {
			t.Errorf("%s: the form says %q, want %q", what, got, want)
		}
	}
}

func number(t *testing.T, station string) (n int) {
	t.Helper()
	if _, err := fmt.Sscanf(station, "s-%d", &n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestWatchSentences(t *testing.T) {
	for want, e := range map[string]bench.Event{
		"Goal armed by kim: stay 3h":         {Type: bench.WatchArmed, Data: bench.EventData{Goal: "stay 3h", By: "kim"}},
		"Goal armed: stay":                   {Type: bench.WatchArmed, Data: bench.EventData{Goal: "stay"}},
		"Goal armed by itself: re-pair":      {Type: bench.WatchArmed, Data: bench.EventData{Goal: "re-pair", By: bench.Automatic}},
		"Goal done: stay 3h":                 {Type: bench.WatchDone, Data: bench.EventData{Goal: "stay 3h"}},
		"Goal done, marked by kim: copy":     {Type: bench.WatchDone, Data: bench.EventData{Goal: "copy", Kind: bench.WatchMarked, By: "kim"}},
		"Goal missed by the drop: copy":      {Type: bench.WatchFailed, Data: bench.EventData{Goal: "copy", Kind: bench.WatchDropped}},
		"Goal missed, too late: re-pair":     {Type: bench.WatchFailed, Data: bench.EventData{Goal: "re-pair", Kind: bench.WatchLate}},
		"Goal ended with the run: copy":      {Type: bench.WatchFailed, Data: bench.EventData{Goal: "copy", Kind: bench.WatchStopped, By: "kim"}},
		"Goal disarmed by kim: copy":         {Type: bench.WatchFailed, Data: bench.EventData{Goal: "copy", Kind: bench.WatchDisarmed, By: "kim"}},
		"Goal replaced by kim: stay 4h":      {Type: bench.WatchFailed, Data: bench.EventData{Goal: "stay 4h", Kind: bench.WatchReplaced, By: "kim"}},
		"Goal replaced by another: stay 12h": {Type: bench.WatchFailed, Data: bench.EventData{Goal: "stay 12h", Kind: bench.WatchReplaced}},
	} {
		if got := sentence(e); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
