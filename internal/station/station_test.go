package station_test

import (
	"context"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"go.uber.org/zap/zaptest"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
	"benchvigil/internal/sim"
	"benchvigil/internal/station"
	"benchvigil/internal/unit"
)

func handset(t *testing.T) *profile.Profile {
	t.Helper()
	p, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// heard collects what a station records and tells.
type heard struct {
	observations []bench.Observation
	events       []bench.Event
}

func begin(t *testing.T, h *heard, change func(*station.Options)) (s *station.Station, stop func()) {
	t.Helper()
	o := station.Options{
		Engine: infer.New(handset(t), infer.Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}}),
		Name:   "Left", Logger: zaptest.NewLogger(t, zaptest.Level(zaptest.NewLogger(t).Level()+2)),
		Record: func(o bench.Observation) { h.observations = append(h.observations, o) },
		Tell:   func(e []bench.Event, _ *bench.Snapshot) { h.events = append(h.events, e...) },
	}
	if change != nil {
		change(&o)
	}
	s, err := station.New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	return s, func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

func reading(amps unit.Current) bench.Observation {
	return bench.Observation{At: time.Now(), Station: "s1", Fact: bench.Power{Volts: unit.Some(3800 * unit.Millivolt), Amps: unit.Some(amps)}}
}

var maybes = cmp.AllowUnexported(unit.Maybe[time.Duration]{})

// What a station tells live, a replay of what it recorded tells again: here
// with late, early and unordered observations.
func TestLiveEqualsReplay(t *testing.T) {
	for _, sc := range sim.Scenarios() {
		t.Run(sc.Name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { liveEqualsReplay(t, sc) })
		})
	}
}

func liveEqualsReplay(t *testing.T, sc *sim.Scenario) {
	t.Helper()
	var h heard
	s, stop := begin(t, &h, func(o *station.Options) {
		o.Engine = infer.New(handset(t), infer.Station{ID: "s1", Hookup: sc.Hookup})
	})
	start := time.Now()
	for i, o := range sim.Observe(sc, "s1", "1-2", start, 100*time.Millisecond) {
		late := time.Duration(i*7919%13) * 20 * time.Millisecond
		if wait := time.Until(o.At.Add(late)); wait > 0 {
			time.Sleep(wait)
		}
		if !s.Put(o) {
			t.Fatal("the mailbox was full")
		}
	}
	time.Sleep(time.Second)
	stop()
	e := infer.New(handset(t), infer.Station{ID: "s1", Hookup: sc.Hookup})
	var again []bench.Event
	for _, o := range h.observations {
		again = append(again, e.Step(o)...)
	}
	if diff := cmp.Diff(h.events, again, maybes); diff != "" || len(again) < 5 {
		t.Errorf("%d events (-live +replayed):\n%s", len(again), diff)
	}
}

func TestSilenceIsNoticedWithoutObservations(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h heard
		s, stop := begin(t, &h, nil)
		for range 10 {
			s.Put(reading(400 * unit.Milliampere))
			time.Sleep(100 * time.Millisecond)
		}
		time.Sleep(4 * time.Second)
		v := s.Snapshot()
		stop()
		last := h.events[len(h.events)-1]
		if last.Type != bench.SupplyLost || v.SupplyLost.IsZero() || v.Run == nil {
			t.Errorf("last event %s, snapshot %+v; want the supply lost and the run going on", last.Type, v)
		}
	})
}

func TestFullMailboxDropsAndCounts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h heard
		hold := make(chan struct{})
		s, stop := begin(t, &h, func(o *station.Options) {
			o.Mailbox = 4
			o.Record = func(bench.Observation) { <-hold }
		})
		refused := 0
		for range 10 {
			if !s.Put(reading(0)) {
				refused++
			}
			synctest.Wait()
		}
		close(hold)
		time.Sleep(time.Second)
		if got := s.Snapshot().QueueDropped; got != 5 || refused != 5 {
			t.Errorf("%d counted and %d refused, want 5: one is being taken and four wait", got, refused)
		}
		stop()
	})
}

func TestShapeHasGaps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h heard
		s, stop := begin(t, &h, nil)
		for range 100 {
			s.Put(reading(400 * unit.Milliampere))
			time.Sleep(100 * time.Millisecond)
		}
		time.Sleep(20 * time.Second)
		s.Put(reading(200 * unit.Milliampere))
		time.Sleep(time.Second)
		v := s.Snapshot()
		stop()
		var got []any
		for _, m := range v.Shape.Amps {
			if a, ok := m.Get(); ok {
				got = append(got, a)
			} else {
				got = append(got, nil)
			}
		}
		want := []any{400 * unit.Milliampere, 400 * unit.Milliampere, nil, nil, nil, nil}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
	})
}

func TestRecentIsNewestFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h heard
		s, stop := begin(t, &h, nil)
		for i := range 40 {
			amps := 400 * unit.Milliampere
			if i/10%2 == 0 {
				amps = 0
			}
			s.Put(reading(amps))
			time.Sleep(100 * time.Millisecond)
		}
		v := s.Snapshot()
		stop()
		for i := 1; i < len(v.Recent); i++ {
			if v.Recent[i].Count != v.Recent[i-1].Count-1 {
				t.Errorf("events %d and %d follow each other", v.Recent[i-1].Count, v.Recent[i].Count)
			}
		}
		if len(v.Recent) < 5 {
			t.Errorf("%d recent events", len(v.Recent))
		}
	})
}

// The last marks that no event tells of are shown, newest first.
func TestMarksAreNewestFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h heard
		s, stop := begin(t, &h, nil)
		from := time.Now()
		kinds := []string{bench.MarkWarm, bench.MarkHandsOn, bench.MarkStop, bench.MarkHandsOff, bench.MarkMine, bench.MarkNote, bench.MarkNote, bench.MarkNote, bench.MarkNote}
		for _, kind := range kinds {
			s.Put(bench.Observation{At: time.Now(), Station: "s1", Fact: bench.Mark{Kind: kind, By: "kim", Text: "x"}})
			time.Sleep(time.Second)
		}
		s.Put(bench.Observation{At: time.Now(), Station: "s1", Fact: bench.Mark{Kind: bench.MarkStop, By: "ines"}})
		s.Put(bench.Observation{At: time.Now(), Station: "s1", Fact: bench.Mark{Kind: bench.MarkArm, By: bench.Automatic, Text: "stay"}})
		time.Sleep(time.Second)
		got, last := s.Snapshot().Marks, s.Snapshot().LastMark
		stop()
		if last.Kind != bench.MarkStop || last.By != "ines" {
			t.Errorf("the last of any kind is %+v", last)
		}
		var want []bench.MarkView
		for _, i := range []int{8, 7, 6, 5, 3, 1} {
			want = append(want, bench.MarkView{At: from.Add(time.Duration(i) * time.Second), Kind: kinds[i], Text: "x", By: "kim"})
		}
		if diff := cmp.Diff(want, got, cmpopts.EquateApproxTime(time.Millisecond)); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
	})
}
