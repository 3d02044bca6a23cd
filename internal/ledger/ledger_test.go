package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"go.uber.org/goleak"
	"go.uber.org/zap/zaptest"
	"pgregory.net/rapid"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/unit"
)

// children are what this binary does in a process of its own instead of
// testing, by the variable that names the folder.
var children = map[string]func(dir string) error{childDir: child}

func TestMain(m *testing.M) {
	for variable, do := range children {
		dir := os.Getenv(variable)
		if dir == "" {
			continue
		}
		if err := do(dir); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		return
	}
	goleak.VerifyTestMain(m, goleak.IgnoreAnyFunction("database/sql.(*DB).connectionOpener"))
}

var start = time.UnixMilli(1_772_486_045_120).UTC()

func open(t *testing.T, dir string) *ledger.Ledger {
	t.Helper()
	return openWith(t, ledger.Options{Dir: dir})
}

func openWith(t *testing.T, o ledger.Options) *ledger.Ledger {
	t.Helper()
	o.Logger = zaptest.NewLogger(t)
	l, err := ledger.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	return l
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// all collects a sequence, whose errors fail the test.
func all[T any](t *testing.T, seq iter.Seq2[T, error]) (out []T) {
	t.Helper()
	for v, err := range seq {
		must(t, err)
		out = append(out, v)
	}
	return out
}

func event(station string, kind bench.EventType, at time.Time, count uint64) bench.Event {
	return bench.Event{
		Station: station, Type: kind, Time: at, Concluded: at.Add(300 * time.Millisecond), Count: count,
		Data: bench.EventData{Kind: "reset", Why: []string{"current fell to 0.3 mA"}, Uptime: unit.Some(90 * time.Second)},
	}
}

func reading(station string, at time.Time, amps unit.Current) bench.Observation {
	return bench.Observation{At: at, Station: station, Fact: bench.Power{Volts: unit.Some(3_801 * unit.Millivolt), Amps: unit.Some(amps)}}
}

var wiring = ledger.Wiring{Bench: "north", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}, Profile: "invented-handset", Window: 210 * time.Second}

func TestEvents(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	stay := bench.Stay{Profile: "p", Mode: bench.Restoring, Lasted: time.Minute, Quiet: time.Second, Finished: true}
	full := bench.Event{Station: "s2", Type: bench.ModeChanged, Time: start, Concluded: start, Count: 7, Data: bench.EventData{
		Kind: "k", From: bench.Restoring, To: bench.Running, Mode: bench.Running, Uptime: unit.Some(time.Duration(0)),
		Window: unit.Some(time.Minute), Assumed: true, Ended: &stay, By: "kim", Goal: "stay", Why: []string{"a", "b"},
	}}
	want := []bench.Event{event("s1", bench.RunStarted, start, 1), full, event("s1", bench.RunDropped, start.Add(time.Minute), 2)}
	must(t, l.Append(t.Context(), want[:2]))
	must(t, l.Append(t.Context(), want[1:]))
	if d := cmp.Diff(want, all(t, l.Events(t.Context(), ledger.Query{})), comparers...); d != "" {
		t.Error(d)
	}
	if got := all(t, l.Events(t.Context(), ledger.Query{Station: "s1", From: start.Add(time.Second)})); len(got) != 1 || got[0].Type != bench.RunDropped {
		t.Errorf("%v, want the drop alone", got)
	}
	if stays, err := l.Stays(t.Context(), 10); err != nil || len(stays) != 1 || stays[0] != stay {
		t.Errorf("%+v, %v: want the work that ended", stays, err)
	}
	if n := l.Counts().Events; n != 3 {
		t.Errorf("%d events added, want 3: one came twice", n)
	}
}

var comparers = []cmp.Option{
	cmp.Comparer(func(a, b unit.Maybe[time.Duration]) bool { return a == b }),
	cmp.Comparer(func(a, b bench.Fact) bool { return a == b }),
}

// A stop that was a mistake ended neither the run nor its watch.
func TestMistakenStop(t *testing.T) {
	l := open(t, t.TempDir())
	ctx := t.Context()
	at := func(s int) time.Time { return start.Add(time.Duration(s) * time.Second) }
	with := func(e bench.Event, d bench.EventData) bench.Event { e.Data = d; return e }
	must(t, l.Append(ctx, []bench.Event{
		event("s1", bench.RunStarted, at(0), 1),
		with(event("s1", bench.WatchArmed, at(1), 2), bench.EventData{Goal: "stay 3h", By: "kim"}),
		with(event("s1", bench.RunStopped, at(60), 3), bench.EventData{Kind: bench.StoppedByMark}),
		with(event("s1", bench.WatchFailed, at(60), 4), bench.EventData{Kind: bench.WatchStopped}),
		with(event("s1", bench.RunStarted, at(0), 5), bench.EventData{Kind: bench.Resumed}),
		with(event("s1", bench.WatchArmed, at(1), 6), bench.EventData{Kind: bench.Resumed, Goal: "stay 3h", By: "kim"}),
	}))
	runs := []ledger.Run{{Station: "s1", Started: at(0), Outcome: "running"}}
	watches := []ledger.Watch{{Station: "s1", Goal: "stay 3h", By: "kim", Armed: at(1), Outcome: "armed"}}
	if d := cmp.Diff(runs, all(t, l.Runs(ctx, ledger.Query{})), cmpopts.IgnoreFields(ledger.Run{}, "Seq", "ID")); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(watches, all(t, l.Watches(ctx, ledger.Query{})), cmpopts.IgnoreFields(ledger.Watch{}, "Seq", "ID")); d != "" {
		t.Error(d)
	}
}

func TestRunsAndWatches(t *testing.T) {
	l := open(t, t.TempDir())
	ctx := t.Context()
	at := func(s int) time.Time { return start.Add(time.Duration(s) * time.Second) }
	l.Begin("s1", start, wiring)
	l.Record(bench.Observation{At: at(100), Station: "s1", Fact: bench.Mark{Kind: bench.MarkHookup, By: "kim"}})
	with := func(e bench.Event, d bench.EventData) bench.Event { e.Data = d; return e }
	must(t, l.Append(ctx, []bench.Event{
		with(event("s1", bench.RunStarted, at(0), 1), bench.EventData{Assumed: true}),
		with(event("s1", bench.WatchArmed, at(1), 2), bench.EventData{Goal: "stay 3h", By: "kim"}),
		event("s1", bench.RunRestarted, at(20), 3),
		event("s1", bench.StallRaised, at(30), 4),
		event("s1", bench.RunDropped, at(60), 5),
		with(event("s1", bench.WindowMissed, at(60), 6), bench.EventData{Window: unit.Some(210 * time.Second)}),
		with(event("s1", bench.WatchFailed, at(60), 7), bench.EventData{Kind: bench.WatchDropped}),
		event("s1", bench.RunStarted, at(110), 8),
		with(event("s1", bench.WindowMet, at(320), 9), bench.EventData{Window: unit.Some(210 * time.Second)}),
		event("s1", bench.RunDropped, at(330), 10),
		with(event("s1", bench.RunReclassified, at(330), 11), bench.EventData{Kind: bench.StoppedByMark}),
		event("s2", bench.RunStarted, at(5), 1),
	}))
	must(t, l.Append(ctx, []bench.Event{
		event("s2", bench.RunStarted, at(50), 2), with(event("s2", bench.RunUnwatched, at(60), 3), bench.EventData{Assumed: true}),
	}))
	wantRuns := []ledger.Run{
		{
			Station: "s1", Profile: "invented-handset", Started: at(0), Assumed: true, Outcome: "dropped", Kind: "reset", Ended: at(60), Lasted: 90 * time.Second,
			Window: 210 * time.Second, Missed: at(60), Restarts: 1, Stalls: 1,
		},
		{Station: "s2", Started: at(5), Outcome: "unseen"},
		{Station: "s2", Started: at(50), Assumed: true, Outcome: "running"},
		{
			Station: "s1", Hookup: 1, Profile: "invented-handset", Started: at(110), Outcome: "stopped", Kind: "mark", Ended: at(330), Lasted: 90 * time.Second,
			Window: 210 * time.Second, Met: at(320),
		},
	}
	wantWatches := []ledger.Watch{{
		Station: "s1", Goal: "stay 3h", By: "kim", Armed: at(1), Outcome: "failed", Kind: "dropped", Ended: at(60),
	}}
	look := func() {
		t.Helper()
		if d := cmp.Diff(wantRuns, all(t, l.Runs(ctx, ledger.Query{})), cmpopts.IgnoreFields(ledger.Run{}, "Seq", "ID")); d != "" {
			t.Error(d)
		}
		if d := cmp.Diff(wantWatches, all(t, l.Watches(ctx, ledger.Query{})), cmpopts.IgnoreFields(ledger.Watch{}, "Seq", "ID")); d != "" {
			t.Error(d)
		}
	}
	look()
	if bad, err := l.Rebuild(ctx); err != nil || len(bad) > 0 {
		t.Fatal(bad, err)
	}
	look()
	for name, tt := range map[string]struct {
		q    ledger.Query
		want int
	}{
		"by station":              {ledger.Query{Station: "s1"}, 2},
		"by outcome":              {ledger.Query{Outcome: "dropped"}, 1},
		"before":                  {ledger.Query{To: at(40)}, 2},
		"after":                   {ledger.Query{From: at(200), Station: "s1"}, 1},
		"touching":                {ledger.Query{From: at(60), To: at(60), Station: "s1"}, 1},
		"of nobody":               {ledger.Query{Station: "s9"}, 0},
		"still going on":          {ledger.Query{From: at(10_000)}, 1},
		"unseen, before the next": {ledger.Query{From: at(30), To: at(40), Outcome: "unseen"}, 1},
	} {
		if got := all(t, l.Runs(ctx, tt.q)); len(got) != tt.want {
			t.Errorf("%s: %d runs, want %d: %v", name, len(got), tt.want, got)
		}
	}
}

// everything is one fact of each kind, in order.
func everything(station string, from time.Time) (out []bench.Observation) {
	at := from
	add := func(f bench.Fact) {
		out = append(out, bench.Observation{At: at, Station: station, Fact: f})
		at = at.Add(37 * time.Millisecond)
	}
	add(bench.USB{Change: bench.USBAdd, Port: "1-2.3", ID: bench.USBID{Vendor: 0x1209, Product: 3}})
	add(bench.USB{Change: bench.USBDetails, Port: "1-2.3", ID: bench.USBID{Vendor: 0x1209, Product: 3}, Serial: "X1"})
	for i := range 100 {
		add(bench.Power{Volts: unit.Some(3_801 * unit.Millivolt), Amps: unit.Some(unit.Current(400_000 + 1000*(i*i%7)))})
		if i%10 == 0 {
			add(bench.Traffic{URBs: uint64(i * 100)})
			add(bench.Power{Amps: unit.Some(unit.Current(i)), Channel: bench.ChannelVBUS})
		}
	}
	add(bench.Power{Output: unit.Some(true), SetVolts: unit.Some(4 * unit.Volt), LimitAmps: unit.Some(2 * unit.Ampere)})
	add(bench.Power{})
	add(bench.Temperature{Celsius: 31_250})
	add(bench.Mark{By: "kim", Kind: bench.MarkHandsOn, For: time.Minute})
	add(bench.Mark{By: "kim", Kind: bench.MarkNote, Text: "Zwölf \"a\""})
	add(bench.Supply{Change: bench.Lost, Error: "connection refused", Channel: bench.ChannelVBUS})
	add(bench.USBSource{Change: bench.Back, Error: "no such directory"})
	add(bench.USB{Change: bench.USBRemove, Port: "1-2.3"})
	add(bench.Clock{End: true})
	return out
}

func TestObservations(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	l.Begin("s1", start, wiring)
	l.Begin("s2", start, ledger.Wiring{Hookup: bench.Hookup{Path: bench.FromBattery}})
	one, two := everything("s1", start), everything("s2", start.Add(11*time.Millisecond))
	var want []bench.Observation
	for i := range one {
		want = append(want, one[i], two[i])
		l.Record(one[i])
		l.Record(two[i])
		if i == 50 {
			must(t, l.Flush(t.Context()))
		}
	}
	// The clock is stepped back an hour, then the station begins anew.
	stepped := []bench.Observation{
		{At: start.Add(-time.Hour), Station: "s1", Fact: bench.Clock{Jump: -time.Hour}},
		reading("s1", start.Add(-time.Hour+time.Millisecond), 3000),
		reading("s1", start.Add(-time.Hour+2*time.Millisecond), 4000),
	}
	for _, o := range stepped {
		l.Record(o)
	}
	must(t, l.Flush(t.Context()))
	look := func(r *ledger.Reader) {
		t.Helper()
		got := all(t, r.Observations(t.Context(), ledger.Query{To: start.Add(time.Hour)}))
		if d := cmp.Diff(want[:len(want)-1], got[:len(want)-1], comparers...); d != "" {
			t.Error(d)
		}
		ends := append(slices.Clone(stepped), want[len(want)-1]) // the earlier clock comes first
		if d := cmp.Diff(ends, got[len(want)-1:], comparers...); d != "" {
			t.Error(d)
		}
		mine := all(t, r.Observations(t.Context(), ledger.Query{Station: "s1", From: start, To: start.Add(time.Second)}))
		n := 0
		for n < len(one) && !one[n].At.After(start.Add(time.Second)) {
			n++
		}
		if d := cmp.Diff(one[:n], mine, comparers...); d != "" {
			t.Error(d)
		}
	}
	look(l.Reader)
	must(t, l.Close())
	again := open(t, dir)
	look(again.Reader)
	must(t, again.Fold(t.Context()))
	look(again.Reader)
	if n := again.Counts().Blocks; n < 8 {
		t.Errorf("%d blocks, want one a channel and stretch at least", n)
	}
	st := all(t, again.Stretches(t.Context(), "s1"))
	if len(st) != 2 || !st[0].Anew || st[1].Anew || st[1].Wiring != wiring {
		t.Errorf("stretches %+v", st)
	}
	if began, err := again.Began(t.Context()); err != nil || !began.Equal(st[1].Began) { // the clock was stepped back in between
		t.Errorf("it began at %v, %v; want %v", began, err, st[1].Began)
	}
	if f, err := again.Check(t.Context()); err != nil || len(f) > 0 {
		t.Errorf("%v, %v", f, err)
	}
}

// Whatever is recorded, flushed, folded, saved and reopened in whatever order
// comes back.
func TestRecordProperty(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		dir, err := os.MkdirTemp(t.TempDir(), "ledger")
		must(t, err)
		l := open(t, dir)
		l.Begin("s1", start, wiring)
		now := start
		var want []bench.Observation
		n := rapid.IntRange(1, 60).Draw(rt, "steps")
		for i := range n {
			switch rapid.IntRange(0, 9).Draw(rt, "step") {
			case 0:
				must(t, l.Flush(t.Context()))
			case 1:
				must(t, l.Fold(t.Context()))
			case 2:
				must(t, l.Close())
				l = open(t, dir)
				l.Begin("s1", now, wiring)
			case 3:
				l.SaveState("s1", time.Time{}, []byte("x"))
			default:
				step := time.Duration(rapid.SampledFrom([]int{0, 1, 100, 30_000}).Draw(rt, "ms")) * time.Millisecond
				now = now.Add(step)
				o := bench.Observation{At: now, Station: "s1", Fact: rapid.SampledFrom([]bench.Fact{
					bench.Power{Amps: unit.Some(unit.Current(i))}, bench.Traffic{URBs: uint64(i)},
				}).Draw(rt, "fact")}
				l.Record(o)
				want = append(want, o)
			}
		}
		must(t, l.Flush(t.Context()))
		got := all(t, l.Observations(t.Context(), ledger.Query{}))
		less := func(a, b bench.Observation) bool {
			if !a.At.Equal(b.At) {
				return a.At.Before(b.At)
			}
			return fmt.Sprint(a.Fact) < fmt.Sprint(b.Fact)
		}
		if d := cmp.Diff(want, got, append(comparers, cmpopts.SortSlices(less), cmpopts.EquateEmpty())...); d != "" {
			rt.Fatal(d)
		}
		must(t, l.Close())
	})
}

func TestState(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	ctx := t.Context()
	l.Begin("s1", start, wiring)
	at := func(ms int) time.Time { return start.Add(time.Duration(ms) * time.Millisecond) }
	l.Record(reading("s1", at(100), 1000))
	l.SaveState("s1", time.Time{}, []byte("one"))
	l.Record(reading("s1", at(200), 2000))
	l.SaveState("s1", time.Time{}, []byte("two"))
	l.Record(bench.Observation{At: at(200), Station: "s1", Fact: bench.Traffic{URBs: 4}})
	l.Record(reading("s1", at(300), 3000))
	must(t, l.Flush(ctx))
	saved, err := l.State(ctx, "s1")
	must(t, err)
	if saved == nil || string(saved.Data) != "one" || !saved.At.Equal(at(100)) || saved.Wiring != wiring {
		t.Fatalf("%+v: two came before the last observation of its moment, so it is one that stands", saved)
	}
	if got := all(t, l.Since(ctx, saved)); len(got) != 3 || !got[0].At.Equal(at(200)) {
		t.Errorf("since: %v", got)
	}
	l.SaveState("s1", time.Time{}, []byte("three"))
	must(t, l.Close())
	l = open(t, dir)
	l.Begin("s1", at(90), wiring)
	l.Record(reading("s1", at(90), 7000))
	must(t, l.Flush(ctx))
	saved, err = l.State(ctx, "s1")
	must(t, err)
	if saved == nil || string(saved.Data) != "three" {
		t.Fatalf("%+v: what was saved last stands after closing", saved)
	}
	if got := all(t, l.Since(ctx, saved)); len(got) != 1 || !got[0].At.Equal(at(90)) {
		t.Errorf("since: %v, want what came in the stretch after", got)
	}
	if got := all(t, l.Since(ctx, saved)); len(got) != 1 {
		t.Errorf("since: %v", got)
	}
	l.SaveState("s1", at(95), []byte("four"))
	must(t, l.Flush(ctx))
	saved, err = l.State(ctx, "s1")
	must(t, err)
	if string(saved.Data) != "four" || !saved.At.Equal(at(90)) {
		t.Errorf("%+v: time has passed in silence, so it stands at once", saved)
	}
	l.TakeUp("s1", at(300), wiring)
	l.Record(bench.Observation{At: at(300), Station: "s1", Fact: bench.Clock{Gap: 200 * time.Millisecond}})
	must(t, l.Flush(ctx))
	if got := all(t, l.Since(ctx, saved)); len(got) != 1 || got[0].Fact != (bench.Clock{Gap: 200 * time.Millisecond}) {
		t.Errorf("since: %v, want what came after it was taken up", got)
	}
	var anew []bool
	for _, s := range all(t, l.Stretches(ctx, "s1")) {
		anew = append(anew, s.Anew)
	}
	if d := cmp.Diff([]bool{true, true, false}, anew); d != "" {
		t.Errorf("stretches that began anew:\n%s", d)
	}
	if s, err := l.State(ctx, "s9"); s != nil || err != nil {
		t.Errorf("%v, %v: nothing was saved", s, err)
	}
}

func TestOutbox(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	ctx := t.Context()
	a := ledger.Alert{Key: "k1", Station: "s1", Outlet: "phone", Body: "dropped", Raised: start, Due: start}
	drop := []bench.Event{event("s1", bench.RunDropped, start, 1)}
	must(t, l.Append(ctx, drop, a))
	must(t, l.Append(ctx, drop, a))
	due, err := l.Due(ctx, start, 10)
	must(t, err)
	if len(due) != 1 || due[0].Body != "dropped" {
		t.Fatalf("due: %+v, want one", due)
	}
	must(t, l.Failed(ctx, due[0].Key, start.Add(time.Minute), "no route"))
	must(t, l.Close())
	l = open(t, dir)
	if due, err := l.Due(ctx, start.Add(time.Second), 10); err != nil || len(due) != 0 {
		t.Fatalf("%v, %v: it is to be tried again in a minute", due, err)
	}
	due, err = l.Due(ctx, start.Add(time.Minute), 10)
	must(t, err)
	if len(due) != 1 || due[0].Attempts != 1 || due[0].Error != "no route" {
		t.Fatalf("due: %+v", due)
	}
	must(t, l.Sent(ctx, due[0].Key, start.Add(time.Minute)))
	if due, err := l.Due(ctx, start.Add(time.Hour), 10); err != nil || len(due) != 0 {
		t.Errorf("%v, %v: it was sent", due, err)
	}
}

// An alert that can never be sent is not due again, and what outlets keep is
// there after a restart.
func TestOutboxGivesUpAndKeeps(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	ctx := t.Context()
	for _, k := range []string{"k1", "k2"} {
		must(t, l.Append(ctx, nil, ledger.Alert{Key: k, Outlet: "phone", Raised: start, Due: start}))
	}
	must(t, l.GiveUp(ctx, "k1", start, "the phone is gone"))
	must(t, l.Keep(ctx, "push", "a", "1"))
	must(t, l.Keep(ctx, "push", "a", "2"))
	must(t, l.Keep(ctx, "push", "b", "3"))
	must(t, l.Forget(ctx, "push", "b"))
	must(t, l.Close())
	l = open(t, dir)
	if due, err := l.Due(ctx, start.Add(time.Hour), 10); err != nil || len(due) != 1 || due[0].Key != "k2" || due[0].Station != "" {
		t.Errorf("%+v, %v: want the other one alone, of the bench", due, err)
	}
	got, err := l.Kept(ctx, "push")
	must(t, err)
	if d := cmp.Diff(map[string]string{"a": "2"}, got); d != "" {
		t.Error(d)
	}
}

// What stands at a point is what its last event says, and a rebuild finds the
// same.
func TestStandingAlerts(t *testing.T) {
	l := open(t, t.TempDir())
	ctx := t.Context()
	step := func(kind bench.AlertKind, to bench.AlertState, after time.Duration) {
		a := bench.Alert{Key: string(kind), Station: "s1", Kind: kind, Title: string(to)}
		must(t, l.Append(ctx, []bench.Event{bench.AlertEvent(bench.AlertWasRaised, start.Add(after), bench.AlertView{Alert: a, State: to}, "")}))
	}
	step(bench.AlertDropped, bench.AlertUnacknowledged, 0)
	step(bench.AlertStalled, bench.AlertUnacknowledged, 0)
	step(bench.AlertDropped, bench.AlertAcknowledged, time.Second)
	step(bench.AlertStalled, bench.AlertNormal, time.Second)
	for range 2 {
		got := all(t, l.Standing(ctx))
		if len(got) != 1 || got[0].Data.Alert == nil || got[0].Data.Alert.State != bench.AlertAcknowledged || got[0].Data.Alert.Kind != bench.AlertDropped {
			t.Errorf("%+v, want the drop, acknowledged", got)
		}
		if _, err := l.Rebuild(ctx); err != nil {
			t.Fatal(err)
		}
	}
	must(t, l.Append(ctx, []bench.Event{event("s1", bench.RunDropped, start, 1)}))
	if got := all(t, l.AlertEvents(ctx, ledger.Query{})); len(got) != 4 {
		t.Errorf("%d events of alerts, want 4", len(got))
	}
}

func TestTwoDaemons(t *testing.T) {
	dir := t.TempDir()
	open(t, dir)
	_, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, Logger: zaptest.NewLogger(t)})
	if !errors.Is(err, ledger.ErrLocked) || !strings.Contains(err.Error(), fmt.Sprintf("process %d", os.Getpid())) {
		t.Errorf("%v, want ErrLocked with our process number", err)
	}
	r, err := ledger.OpenReader(t.Context(), dir)
	must(t, err)
	must(t, r.Close())
}

func TestReaderWithoutLedger(t *testing.T) {
	if _, err := ledger.OpenReader(t.Context(), t.TempDir()); !errors.Is(err, ledger.ErrMissing) {
		t.Errorf("%v, want ErrMissing", err)
	}
}

func TestBackupAndRestore(t *testing.T) {
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "backup.db")
	l := open(t, dir)
	l.Begin("s1", start, wiring)
	want := everything("s1", start)
	for _, o := range want {
		l.Record(o)
	}
	must(t, l.Append(t.Context(), []bench.Event{event("s1", bench.RunStarted, start, 1)}))
	r, err := ledger.OpenReader(t.Context(), dir)
	must(t, err)
	must(t, r.Backup(t.Context(), file))
	if err := r.Backup(t.Context(), file); err == nil {
		t.Error("a backup is written over")
	}
	must(t, r.Close())
	for _, name := range []string{file, filepath.Join(dir, "ledger.db"), filepath.Join(dir, "ledger.db-wal")} {
		if info, err := os.Stat(name); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v: want it for its owner alone", name, info.Mode(), err)
		}
	}
	if _, err := ledger.Restore(t.Context(), dir, file); !errors.Is(err, ledger.ErrLocked) {
		t.Errorf("restore under a daemon: %v, want ErrLocked", err)
	}
	must(t, l.Append(t.Context(), []bench.Event{event("s1", bench.RunDropped, start, 2)}))
	must(t, l.Close())

	aside, err := ledger.Restore(t.Context(), dir, file)
	must(t, err)
	if _, err := os.Stat(aside); err != nil {
		t.Errorf("what was there is not set aside: %v", err)
	}
	l = open(t, dir)
	if got := all(t, l.Events(t.Context(), ledger.Query{})); len(got) != 1 {
		t.Errorf("%d events, want the one of the backup", len(got))
	}
	if d := cmp.Diff(want, all(t, l.Observations(t.Context(), ledger.Query{})), comparers...); d != "" {
		t.Error(d)
	}
	must(t, l.Close())
	must(t, os.WriteFile(file, []byte("no database"), 0o600))
	if _, err := ledger.Restore(t.Context(), dir, file); err == nil {
		t.Error("a file that is no backup was restored")
	}
	l = open(t, dir)
	if got := all(t, l.Events(t.Context(), ledger.Query{})); len(got) != 1 {
		t.Errorf("%d events after a refused restore, want 1", len(got))
	}
	must(t, l.Vacuum(context.WithoutCancel(t.Context())))
}

// sameViews says how the views differ from those that a rebuild makes.
func sameViews(ctx context.Context, l *ledger.Ledger) error {
	before, err := views(ctx, l)
	if err != nil {
		return err
	}
	if bad, err := l.Rebuild(ctx); err != nil || len(bad) > 0 {
		return fmt.Errorf("rebuild: %v, %w", bad, err)
	}
	after, err := views(ctx, l)
	if !reflect.DeepEqual(before, after) {
		return fmt.Errorf("the views are not those of a rebuild: %s", cmp.Diff(before, after))
	}
	return err
}

func views(ctx context.Context, l *ledger.Ledger) (out []any, err error) {
	for v, err := range l.Runs(ctx, ledger.Query{}) {
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	for v, err := range l.Watches(ctx, ledger.Query{}) {
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, nil
}

// The first state of a stretch is there with the first of what is recorded or
// concluded in it, however soon the crash comes.
func TestFirstStateComesWithItsStretch(t *testing.T) {
	l := open(t, t.TempDir())
	ctx := t.Context()
	l.Begin("s1", start, wiring)
	l.SaveState("s1", time.Time{}, []byte("nothing seen"))
	l.Record(reading("s1", start, 1000))
	l.Record(reading("s2", start, 1000))
	l.SaveState("s1", start, []byte("one"))
	l.Record(reading("s1", start.Add(time.Second), 2000)) // so that one stands
	must(t, l.Append(ctx, []bench.Event{event("s2", bench.RunDropped, start, 1)}))
	saved, err := l.State(ctx, "s1")
	must(t, err)
	if saved == nil || string(saved.Data) != "nothing seen" || !saved.Began.Equal(start) {
		t.Fatalf("%+v: the event has taken the first state along, and no other", saved)
	}
	must(t, l.Flush(ctx))
	if got := all(t, l.Since(ctx, saved)); len(got) != 2 {
		t.Errorf("since the beginning: %v", got)
	}
	saved, err = l.State(ctx, "s1")
	must(t, err)
	if string(saved.Data) != "one" {
		t.Errorf("%+v: the later one stands", saved)
	}
}
