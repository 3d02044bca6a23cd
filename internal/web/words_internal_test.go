package web

import (
	"go/ast"
	"go/parser"
	"go/token"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

func TestSpan(t *testing.T) {
	for _, tc := range []struct {
		d    time.Duration
		want string
	}{
		{-time.Second, "0 s"},
		{999 * time.Millisecond, "0 s"},
		{42 * time.Second, "42 s"},
		{59999 * time.Millisecond, "59 s"},
		{time.Minute, "1 min 00 s"},
		{183400 * time.Millisecond, "3 min 03 s"},
		{time.Hour - time.Second, "59 min 59 s"},
		{time.Hour, "1 h 00 min"},
		{50*time.Hour + 7*time.Minute + 59*time.Second, "50 h 07 min"},
	} {
		if got := span(tc.d); got != tc.want {
			t.Errorf("span(%v) = %q, want %q", tc.d, got, tc.want)
		}
	}
}

// Times are local, with seconds, and with the date where it is another day
// there.
func TestClock(t *testing.T) {
	east := time.FixedZone("east", 2*3600)
	c := clock{east, time.Date(2026, 3, 2, 22, 30, 0, 0, time.UTC)} // half past midnight, on the third
	for _, tc := range []struct {
		at   time.Time
		want string
	}{
		{time.Date(2026, 3, 2, 22, 5, 9, 999e6, time.UTC), "00:05:09"},
		{time.Date(2026, 3, 2, 21, 59, 59, 0, time.UTC), "2 Mar 23:59:59"},
		{time.Date(2025, 3, 2, 22, 5, 9, 0, time.UTC), "3 Mar 00:05:09"},
	} {
		if got := c.at(tc.at); got != tc.want {
			t.Errorf("%v reads %q, want %q", tc.at, got, tc.want)
		}
	}
}

func TestSentences(t *testing.T) {
	up, window := unit.Some(178*time.Second), unit.Some(210*time.Second)
	for _, tc := range []struct {
		want string
		e    bench.Event
	}{
		{"Restoring, after recovery", bench.Event{Type: bench.ModeChanged, Data: bench.EventData{From: bench.Recovery, To: bench.Restoring}}},
		{"Off", bench.Event{Type: bench.ModeChanged, Data: bench.EventData{From: bench.Unknown, To: bench.Off}}},
		{"Run started", bench.Event{Type: bench.RunStarted}},
		{"Run goes on: it was already up at first sight", bench.Event{Type: bench.RunStarted, Data: bench.EventData{Assumed: true}}},
		{"The stop was a mistake, the run goes on by kim", bench.Event{Type: bench.RunStarted, Data: bench.EventData{Kind: bench.Resumed, By: "kim"}}},
		{"Goal goes on: stay", bench.Event{Type: bench.WatchArmed, Data: bench.EventData{Kind: bench.Resumed, By: "kim", Goal: "stay"}}},
		{"Restarted as expected, the run goes on", bench.Event{Type: bench.RunRestarted}},
		{"Dropped after 2 min 58 s, stayed off", bench.Event{Type: bench.RunDropped, Data: bench.EventData{Kind: bench.Died, Uptime: up}}},
		{"Dropped after 2 min 58 s, came back by itself", bench.Event{Type: bench.RunDropped, Data: bench.EventData{Kind: bench.Reset, Uptime: up}}},
		{"Dropped after 2 min 58 s, the supply sagged or hit its limit", bench.Event{Type: bench.RunDropped, Data: bench.EventData{Kind: bench.BrownOut, Uptime: up}}},
		{"Dropped, left USB with no readings to ask", bench.Event{Type: bench.RunDropped, Data: bench.EventData{Kind: bench.LinkLost}}},
		{"Stopped by kim after 2 min 58 s", bench.Event{Type: bench.RunStopped, Data: bench.EventData{Kind: bench.StoppedByMark, By: "kim", Uptime: up}}},
		{"Stopped, the supply's output was switched off", bench.Event{Type: bench.RunStopped, Data: bench.EventData{Kind: bench.StoppedByOutput}}},
		{"Stopped by kim after 2 min 58 s, while hands were on it", bench.Event{Type: bench.RunStopped, Data: bench.EventData{Kind: bench.StoppedByHands, By: "kim", Uptime: up}}},
		{"The drop was a stop by kim", bench.Event{Type: bench.RunReclassified, Data: bench.EventData{By: "kim"}}},
		{"Drops come at nearly the same time: the last 3 runs dropped", bench.Event{Type: bench.RunRegular, Data: bench.EventData{Why: []string{"the last 3 runs dropped", "more"}}}},
		{"Window of 3 min 30 s met", bench.Event{Type: bench.WindowMet, Data: bench.EventData{Window: window}}},
		{"Window missed", bench.Event{Type: bench.WindowMissed}},
		{"Start hung: starting for longer than 60.0 s", bench.Event{Type: bench.StartHung, Data: bench.EventData{Why: []string{"starting for longer than 60.0 s"}}}},
		{"Stalled: nothing moved", bench.Event{Type: bench.StallRaised, Data: bench.EventData{Why: []string{"nothing moved"}}}},
		{"Moves again", bench.Event{Type: bench.StallCleared}},
		{"No longer stalled: another run began while nobody watched", bench.Event{Type: bench.StallCleared, Data: bench.EventData{Kind: bench.Unproven}}},
		{"No more readings from the supply", bench.Event{Type: bench.SupplyLost}},
		{"Readings are back", bench.Event{Type: bench.SupplyBack}},
		{"The USB watch failed", bench.Event{Type: bench.USBLost}},
		{"The USB watch works again", bench.Event{Type: bench.USBBack}},
		{"Leak: 26.00 mA flows", bench.Event{Type: bench.CurrentHigh, Data: bench.EventData{Kind: bench.Leak, Why: []string{"26.00 mA flows"}}}},
		{"High current: 2.700 A flows", bench.Event{Type: bench.CurrentHigh, Data: bench.EventData{Kind: bench.OverLimit, Why: []string{"2.700 A flows"}}}},
		{"The current drifts: 501 mA flows", bench.Event{Type: bench.CurrentDrifting, Data: bench.EventData{Why: []string{"501 mA flows"}}}},
		{"The volts sagged: to 3.000 V", bench.Event{Type: bench.CurrentCollapsed, Data: bench.EventData{Why: []string{"to 3.000 V"}}}},
		{"fuse.blown", bench.Event{Type: "benchvigil.fuse.blown"}},
	} {
		if got := sentence(tc.e); got != tc.want {
			t.Errorf("got %q, want %q", got, tc.want)
		}
	}
}

// Every event type that the vocabulary has is put into words: a new one must
// not reach people as a dotted name.
func TestEveryEventHasWords(t *testing.T) {
	types := eventTypes(t)
	if len(types) < 16 {
		t.Fatalf("only %d event types found: %q", len(types), types)
	}
	for _, name := range types {
		if got := sentence(bench.Event{Type: bench.EventType(name), Data: bench.EventData{To: bench.Off}}); strings.Contains(got, ".") {
			t.Errorf("%s reads %q", name, got)
		}
	}
}

// eventTypes reads the constants out of the vocabulary's source.
func eventTypes(t *testing.T) (out []string) {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), "../bench/event.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(f, func(n ast.Node) bool {
		if lit, ok := n.(*ast.BasicLit); ok && strings.HasPrefix(lit.Value, `"benchvigil.`) {
			out = append(out, strings.Trim(lit.Value, `"`))
		}
		return true
	})
	return out
}

func TestTold(t *testing.T) {
	got := []string{told("Lost", ""), told("Lost", "no answer"), told("Lost", "No answer.")}
	if diff := cmp.Diff([]string{"Lost", "Lost: no answer", "Lost: No answer"}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
