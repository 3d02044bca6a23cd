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
