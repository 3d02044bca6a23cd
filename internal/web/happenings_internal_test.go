package web

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
)

// Marks stand among the events, in order of time.
func TestMarksAmongEvents(t *testing.T) {
	long := strings.Repeat("ä", 200)
	s := changed(running(), func(s *bench.Snapshot) {
		s.Marks = []bench.MarkView{
			{At: ago(time.Second), Kind: bench.MarkNote, By: "kim", Text: long},
			{At: ago(130 * time.Second), Kind: bench.MarkNote, By: "root", Text: "hot near connector"},
			{At: ago(144 * time.Second), Kind: bench.MarkWarm},
			{At: ago(145 * time.Second), Kind: bench.MarkScreen, By: "kim", Text: "logo"},
			{At: ago(200 * time.Second), Kind: bench.MarkHandsOn, By: "kim"},
		}
	})
	got := tileNow(s)
	want := []Line{
		{"02:58:11", "Note by kim: " + strings.Repeat("ä", 86) + "…", "Note by kim: " + long},
		{"02:56:09", "Running, after starting", "1209:0004 on USB and 412 mA flows"},
		{"02:56:02", "Note by root: hot near connector", ""},
		{"02:55:49", "Starting, after standby", ""},
		{"02:55:49", "Run started", "602 mA flows"},
		{"02:55:48", "Marked warm", ""},
		{"02:55:47", "Screen seen by kim: logo", ""},
		{"02:55:42", "Standby, after off", ""},
	}
	if diff := cmp.Diff(want, append(got.Events[:4:4], got.Earlier...)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// A screen seen before the run says nothing of it.
func TestScreenBeforeTheRun(t *testing.T) {
	for _, tc := range []struct {
		at   time.Duration
		want string
	}{{142 * time.Second, "logo"}, {143 * time.Second, "logo"}, {144 * time.Second, ""}} {
		got := tileNow(changed(running(), func(s *bench.Snapshot) { s.Screen = bench.ScreenView{Screen: bench.ScreenLogo, At: ago(tc.at)} }))
		if got.Seen != tc.want || (got.SeenBy == "") != (tc.want == "") {
			t.Errorf("seen %v ago: %q, %q; want %q", tc.at, got.Seen, got.SeenBy, tc.want)
		}
	}
}

// A board that was off for a moment did not stay off, and that a stop was a
// mistake is told when it was said.
func TestWhatIsKnownLater(t *testing.T) {
	s := changed(running(), droppedBefore(144400*time.Millisecond, time.Minute, bench.Died), func(s *bench.Snapshot) {
		s.Recent = append(s.Recent[:2:2], event1(bench.RunStarted, 143*time.Second, bench.EventData{}))
		resumed := event1(bench.RunStarted, 143*time.Second, bench.EventData{Kind: bench.Resumed})
		resumed.Concluded = ago(5 * time.Second)
		s.Recent = append([]bench.Event{resumed, event1(bench.RunStopped, 10*time.Second, bench.EventData{By: "kim"})}, s.Recent...)
	})
	var got []string
	for _, l := range happenings(&s, clock{time.UTC, night}) {
		got = append(got, l.At+" "+l.Text)
	}
	want := []string{
		"02:58:07 The stop was a mistake, the run goes on", "02:58:02 Stopped by kim", "02:55:49 Run started",
		"02:55:48 Window of 3 min 30 s missed", "02:55:48 Dropped after 1 min 00 s, up again after 1 s",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
