package ledger_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/trace"
	"benchvigil/internal/unit"
)

// A page follows the one before it, also where new runs come meanwhile.
func TestPagesOfRuns(t *testing.T) {
	l := open(t, t.TempDir())
	ctx := t.Context()
	begin := func(i int) {
		station := fmt.Sprint("s", i%2)
		must(t, l.Append(ctx, []bench.Event{event(station, bench.RunStarted, start.Add(time.Duration(i)*time.Minute), uint64(i+1))}))
	}
	for i := range 7 {
		begin(i)
	}
	q := ledger.Query{Newest: 3}
	var began []time.Time
	for page := range 3 {
		for _, r := range all(t, l.Runs(ctx, q)) {
			began, q.Before = append(began, r.Started), r.Seq
			found, err := l.RunByID(ctx, r.ID)
			must(t, err)
			if found == nil || found.Seq != r.Seq {
				t.Errorf("run %q is not found again: %v", r.ID, found)
			}
		}
		begin(10 + page)
	}
	for i, at := range began {
		if want := start.Add(time.Duration(6-i) * time.Minute); !at.Equal(want) {
			t.Errorf("run %d began at %v, want %v", i, at, want)
		}
	}
	if len(began) != 7 {
		t.Errorf("%d runs on the pages, want 7", len(began))
	}
	for _, id := range []string{"", "00", "nonsense"} {
		if r, err := l.RunByID(ctx, id); r != nil || err != nil {
			t.Errorf("run %q: %v, %v", id, r, err)
		}
	}
}

// What is in blocks and what is not yet come as one, as it was recorded.
func TestPoints(t *testing.T) {
	l := open(t, t.TempDir())
	ctx := t.Context()
	l.Begin("s1", start, wiring)
	var want []trace.Point
	record := func(from, to int) {
		for i := from; i < to; i++ {
			o := reading("s1", start.Add(time.Duration(i)*100*time.Millisecond), unit.Current(i))
			l.Record(o)
			_, p, _ := trace.Of(o)
			want = append(want, p)
		}
	}
	record(0, 600)
	must(t, l.Fold(ctx))
	record(600, 650)
	must(t, l.Flush(ctx))
	if d := cmp.Diff(want, all(t, l.Points(ctx, ledger.Query{Station: "s1"}, trace.Channel{Kind: trace.Readings}))); d != "" {
		t.Error(d)
	}
	part := ledger.Query{Station: "s1", From: start.Add(59 * time.Second), To: start.Add(61 * time.Second)}
	if d := cmp.Diff(want[590:611], all(t, l.Points(ctx, part, trace.Channel{Kind: trace.Readings}))); d != "" {
		t.Error(d)
	}
	for range l.Points(ctx, part, trace.Channel{Kind: trace.Readings}) {
		break // whoever has seen enough may go
	}
	if at, ok, err := l.Oldest(ctx, "s1"); at != start.UnixMilli() || !ok || err != nil {
		t.Errorf("the oldest reading is at %v, %v, %v", at, ok, err)
	}
}

// The lists of one station leave out the others and the lives of alerts.
func TestPastOfAStation(t *testing.T) {
	l := open(t, t.TempDir())
	ctx := t.Context()
	at := func(s int) time.Time { return start.Add(time.Duration(s) * time.Second) }
	for _, s := range []string{"s1", "s2"} {
		l.Begin(s, start, wiring)
		l.Record(bench.Observation{At: at(1), Station: s, Fact: bench.Mark{Kind: bench.MarkCase, Text: "2417"}})
		l.Record(bench.Observation{At: at(2), Station: s, Fact: bench.USB{Change: bench.USBRemove, Port: "1-2"}})
	}
	change := func(s string, sec int, to bench.Mode, n uint64) bench.Event {
		e := event(s, bench.ModeChanged, at(sec), n)
		e.Data = bench.EventData{To: to}
		return e
	}
	must(t, l.Append(ctx, []bench.Event{
		change("s1", 3, bench.Starting, 1), change("s1", 20, bench.Running, 2), change("s2", 21, bench.Off, 1), change("s1", 40, bench.Asleep, 3),
		event("s1", bench.RunStarted, at(3), 4),
	}))
	changes, err := l.ModeChanges(ctx, ledger.Query{Station: "s1", From: at(30), To: at(50)})
	must(t, err)
	if len(changes) != 2 || changes[0].Data.To != bench.Running || changes[1].Data.To != bench.Asleep {
		t.Errorf("the mode at the beginning and its change are %v", changes)
	}
	if got := all(t, l.StationEvents(ctx, ledger.Query{Station: "s1", To: at(20)})); len(got) != 3 {
		t.Errorf("%d events, want 3: %v", len(got), got)
	}
	marks, facts := all(t, l.Marks(ctx, ledger.Query{Station: "s1"})), all(t, l.Facts(ctx, ledger.Query{Station: "s1"}))
	if len(marks) != 1 || len(facts) != 1 {
		t.Errorf("marks %v, facts %v", marks, facts)
	}
	if got := all(t, l.Cases(ctx)); len(got) != 2 || got[0] != (ledger.Case{Station: "s1", At: at(1).UnixMilli(), Number: "2417"}) {
		t.Errorf("cases %v", got)
	}
	if r, err := l.LastRun(ctx, "s1"); err != nil || r == nil || !r.Started.Equal(at(3)) {
		t.Errorf("last run %v, %v", r, err)
	}
	if n, runs, err := l.HookupRuns(ctx, "s1"); n != 0 || len(runs) != 1 || err != nil {
		t.Errorf("hook-up %d, runs %v, %v", n, runs, err)
	}
}
