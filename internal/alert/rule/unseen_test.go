package rule_test

import (
	"strings"
	"testing"
	"time"

	"benchvigil/internal/alert/rule"
	"benchvigil/internal/bench"
)

// begun tells that a run of which nothing shows whether it is the one before goes
// on after a time without a watch.
func (g *rig) begun(id string, when, concluded float64) []rule.Change {
	g.t.Helper()
	g.up(id, when)
	return g.event(id, bench.RunStarted, when, concluded, bench.EventData{Kind: bench.Unproven, Assumed: true, Why: []string{
		"not watched for 22.2 s while benchvigil was stopped", "the device has another number on the bus: it was enumerated again",
		"nothing shows that the run before went on",
	}})
}

// A run of which nobody knows whether it went on is told, with its evidence, and
// is over once it goes on, however late it was judged.
func TestPerhapsDropped(t *testing.T) {
	g := newRig(t, one())
	got := g.begun("s01", 0, 12)
	want(t, got, "raise s01.dropped caution")
	a := got[0].Alert
	for _, part := range []string{"perhaps dropped, unseen", "dropped while nobody watched", "The device has another number on the bus"} {
		if !strings.Contains(a.Title+" "+a.Text, part) {
			t.Errorf("no %q: %s | %s", part, a.Title, a.Text)
		}
	}
	want(t, g.run(13, 21))
	want(t, g.tick(at(22)), "return s01.dropped caution: up again since 14:03:12, for 22 s so far")
	want(t, g.begun("s01", 0, 12))
}

func TestPerhapsDroppedWithAGoal(t *testing.T) {
	g := newRig(t, one())
	g.snaps["s01"].Watch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalCopy}}
	got := g.begun("s01", 0, 1)
	want(t, got, "raise s01.dropped danger")
	if text := got[0].Alert.Text; !strings.HasPrefix(text, "May have dropped while nobody watched, goal copy. ") {
		t.Error(text)
	}
	want(t, g.drop("s01", bench.Died, 5, 5.5), "return s01.dropped danger: another one began at 14:03:17", "raise s01.dropped danger")
}

// Another start is nothing to hear of, and what one supply feeds is no common
// cause because it is taken up at the same moment.
func TestOtherStartsAreQuiet(t *testing.T) {
	g := newRig(t, rule.Options{Stations: stations(2, "1-2.%d", "psu")})
	want(t, g.event("s01", bench.RunStarted, 0, 0, bench.EventData{Kind: bench.Resumed}))
	want(t, g.event("s01", bench.RunStarted, 0, 0, bench.EventData{}))
	want(t, g.begun("s01", 0, 1), "raise s01.dropped caution")
	want(t, g.begun("s02", 0, 1), "raise s02.dropped caution")
	want(t, g.run(2, 5))
}

// A drop that nobody saw does not claim its moment, whether the snapshot shows
// the time without a watch or the evidence alone does.
func TestUnseenDrop(t *testing.T) {
	why := []string{
		"0.00 mA for 0.4 s, the off band ends at 2.00 mA", "not watched for 22.0 s while benchvigil was stopped",
		"it went down in that time, and was last seen up at its beginning",
	}
	for _, tt := range []struct {
		gap         *bench.GapView
		why         []string
		when, judge float64
		title       string
	}{
		{&bench.GapView{From: at(0.1), To: at(22), Judged: true}, why, 0, 23, "B1: dropped between 14:03:12 and 14:03:34"},
		{&bench.GapView{From: at(0.1), To: at(22), Judged: true}, why[:1], 0, 23, "B1: dropped between 14:03:12 and 14:03:34"},
		{nil, why, 0, 23, "B1: dropped unseen, after 14:03:12"},
		{&bench.GapView{From: at(-60), To: at(-40), Judged: true}, why[:2], 0, 1, "B1: dropped (died) 14:03:12"},
		{&bench.GapView{From: at(0.1), To: at(22), Judged: true}, why[:1], 0, 0.1, "B1: dropped (died) 14:03:12"},
	} {
		g := newRig(t, one())
		g.snaps["s01"].Gap = tt.gap
		d := dropData(bench.Died)
		d.Why = tt.why
		g.snaps["s01"].Run = nil
		got := g.event("s01", bench.RunDropped, tt.when, tt.judge, d)
		if len(got) != 1 || got[0].Alert.Title != tt.title {
			t.Errorf("told %+v, want %q", got, tt.title)
			continue
		}
		if strings.Contains(got[0].Alert.Text, "not watched") && strings.Contains(tt.title, "unseen") {
			t.Error(got[0].Alert.Text)
		}
	}
}

// A short time without a watch is news, a long one is wrong.
func TestUnwatchedWeighsItsLength(t *testing.T) {
	for length, want := range map[time.Duration]bench.Severity{59 * time.Second: bench.Notice, time.Minute: bench.Caution} {
		g := newRig(t, rule.Options{Stations: stations(3, "1-2.%d", "")})
		got := g.r.Trouble(rule.Trouble{Kind: bench.AlertUnwatched, Since: t0, Until: t0.Add(length), Why: "B1 was running"})
		if len(got) != 1 || got[0].Alert.Severity != want || !strings.HasPrefix(got[0].Alert.Text, "3 stations: ") || !strings.HasSuffix(got[0].Alert.Text, " goals go on.") {
			t.Errorf("%s: %+v", length, got)
		}
	}
}
