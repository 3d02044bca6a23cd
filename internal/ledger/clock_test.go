package ledger_test

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/unit"
)

// clockBench is a station that is followed while the clock is stepped: what the
// clock says goes on from where it was put.
type clockBench struct {
	t     *testing.T
	l     *ledger.Ledger
	now   time.Time
	count uint64

	observed []bench.Observation // in the order in which it was recorded
	told     []bench.Event
}

func (b *clockBench) record(f bench.Fact) {
	o := bench.Observation{At: b.now, Station: "s1", Fact: f}
	b.observed = append(b.observed, o)
	b.l.Record(o)
}

// run lets some minutes pass, with a reading each second and a run in them.
func (b *clockBench) run(minutes int, kind bench.EventType, more ...bench.EventType) {
	b.t.Helper()
	began := b.now
	b.tell(bench.RunStarted, unit.Maybe[time.Duration]{})
	for i := range minutes * 60 {
		b.now = b.now.Add(time.Second)
		b.record(bench.Power{Amps: unit.Some(unit.Current(i))})
	}
	lasted := b.now.Sub(began)
	b.now = b.now.Add(time.Millisecond) // two facts of one moment may come back in any order
	b.record(bench.USB{Change: bench.USBRemove, Port: "1-1"})
	b.tell(kind, unit.Some(lasted))
	for _, k := range more {
		b.tell(k, unit.Maybe[time.Duration]{})
	}
	must(b.t, b.l.Fold(b.t.Context()))
}

func (b *clockBench) tell(kind bench.EventType, uptime unit.Maybe[time.Duration]) {
	b.t.Helper()
	b.count++
	e := bench.Event{Station: "s1", Type: kind, Time: b.now, Concluded: b.now, Count: b.count, Data: bench.EventData{Kind: "reset", Uptime: uptime}}
	b.told = append(b.told, e)
	must(b.t, b.l.Append(b.t.Context(), []bench.Event{e}))
}

func (b *clockBench) step(by time.Duration) {
	b.now = b.now.Add(by)
	b.record(bench.Clock{Jump: by})
}

// TestSteppedClock steps the clock an hour on or back in the middle of a run.
// What was recorded and told comes back in the order in which it happened; the
// runs lasted as long as they did, and each has what was told of it.
func TestSteppedClock(t *testing.T) {
	for name, by := range map[string]time.Duration{"on": time.Hour, "back": -time.Hour} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			b := &clockBench{t: t, l: open(t, dir), now: start}
			b.l.Begin("s1", start, wiring)
			b.run(2, bench.RunDropped, bench.WindowMissed)
			// A run that the step is in: it lasts 3 minutes whatever the clock says.
			b.tell(bench.RunStarted, unit.Maybe[time.Duration]{})
			b.now = b.now.Add(time.Minute)
			b.record(bench.Power{})
			b.step(by)
			b.now = b.now.Add(2 * time.Minute)
			b.record(bench.Power{})
			b.tell(bench.RunDropped, unit.Some(3*time.Minute))
			b.tell(bench.WindowMissed, unit.Maybe[time.Duration]{})
			b.l.SaveState("s1", b.now, []byte("state"))
			after := len(b.observed)
			b.now = b.now.Add(time.Second)
			b.run(1, bench.RunDropped, bench.RunReclassified)

			b.look()
			must(t, b.l.Close())
			b.l = open(t, dir)
			b.look()
			saved, err := b.l.State(t.Context(), "s1")
			must(t, err)
			if saved == nil {
				t.Fatal("the state is gone")
			}
			if d := cmp.Diff(b.observed[after:], all(t, b.l.Since(t.Context(), saved)), comparers...); d != "" {
				t.Errorf("since the state: %s", d)
			}
		})
	}
}

func (b *clockBench) look() {
	b.t.Helper()
	ctx := b.t.Context()
	if d := cmp.Diff(b.observed, all(b.t, b.l.Observations(ctx, ledger.Query{Station: "s1"})), comparers...); d != "" {
		b.t.Error(d)
	}
	if d := cmp.Diff(b.told, all(b.t, b.l.Events(ctx, ledger.Query{})), comparers...); d != "" {
		b.t.Error(d)
	}
	must(b.t, sameViews(ctx, b.l))
	runs := all(b.t, b.l.Runs(ctx, ledger.Query{}))
	slices.SortFunc(runs, func(a, b ledger.Run) int { return int(b.Lasted - a.Lasted) })
	for i, want := range []struct {
		lasted time.Duration
		kind   string
		missed bool
	}{{3 * time.Minute, "dropped", true}, {2 * time.Minute, "dropped", true}, {time.Minute, "stopped", false}} {
		if len(runs) != 3 || runs[i].Uptime() != unit.Some(want.lasted) || runs[i].Outcome != want.kind || runs[i].Missed.IsZero() == want.missed {
			b.t.Errorf("run %d: %+v, want %+v", i, runs, want)
		}
	}
}

// A clock that was wrong for a while keeps nothing from being retired, and
// retires nothing that is still wanted.
func TestRetentionUnderWrongClock(t *testing.T) {
	for name, tt := range map[string]struct {
		by   time.Duration // how wrong the clock was
		left int           // the minutes that are left: the last ten at most, and what was stamped later
	}{
		"an hour late":  {-time.Hour, 10},
		"an hour early": {time.Hour, 15},
		"years early":   {20 * 365 * 24 * time.Hour, 15},
	} {
		t.Run(name, func(t *testing.T) {
			now := start.Add(35 * (time.Minute + time.Millisecond)) // the end: the keeper retires when it likes
			l := openWith(t, ledger.Options{Dir: t.TempDir(), Now: func() time.Time { return now }, Retain: ledger.Retention{Age: 10 * time.Minute}})
			b := &clockBench{t: t, l: l, now: start.Add(tt.by)}
			l.Begin("s1", b.now, wiring)
			for range 5 {
				b.run(1, bench.RunDropped)
			}
			b.step(-tt.by)
			for range 30 {
				b.run(1, bench.RunDropped)
			}
			if !b.now.Equal(now) {
				t.Fatalf("it is %s, not %s", b.now, now)
			}
			must(t, l.Retire(t.Context()))
			readings, facts := 0, 0
			for _, o := range all(t, l.Observations(t.Context(), ledger.Query{})) {
				if _, is := o.Fact.(bench.Power); is {
					readings++
				} else {
					facts++
				}
			}
			// The fact before them came after the last block that went.
			if readings != 60*tt.left || facts != tt.left+1 {
				t.Errorf("%d readings and %d facts are left, want %d minutes", readings, facts, tt.left)
			}
			if got := all(t, l.Events(t.Context(), ledger.Query{})); len(got) != len(b.told) {
				t.Errorf("%d events, want all %d", len(got), len(b.told))
			}
		})
	}
}
