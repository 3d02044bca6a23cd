package infer_test

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
)

// genWatched draws a life of a board in which somebody arms goals.
func genWatched(t *rapid.T) []bench.Observation {
	obs := genObservations(t)
	for range rapid.IntRange(1, 6).Draw(t, "watch marks") {
		at := rapid.IntRange(0, len(obs)-1).Draw(t, "before")
		m := bench.Mark{By: "kim", Kind: rapid.SampledFrom([]string{"arm", "arm", "arm", "done", "disarm", "screen", "mine", "stop", "resume"}).Draw(t, "watch mark")}
		switch m.Kind {
		case bench.MarkArm:
			m.Text = rapid.SampledFrom([]string{
				"stay", "stay 5s", "stay 2m", "reach running within 30s", "reach restoring within 10m", "copy", "copy within 20s", "re-pair", "re-pair within 1m",
			}).Draw(t, "goal")
		case bench.MarkScreen:
			m.Text = string(rapid.SampledFrom(bench.Screens()).Draw(t, "screen"))
		}
		obs = slices.Insert(obs, at, bench.Observation{At: obs[at].At, Station: "s1", Fact: m})
	}
	return obs
}

// Every watch that is armed ends once, as done or as failed, before the next is
// armed; and nothing is told of it before it could be known or was armed.
func TestWatchEndsOnce(t *testing.T) {
	p := handset(t)
	rapid.Check(t, func(t *rapid.T) {
		var armed *bench.Event
		for _, ev := range runAll(infer.New(p, genStation(t)), genWatched(t)) {
			switch ev.Type {
			case bench.WatchArmed:
				if armed != nil {
					t.Fatalf("armed twice: %+v, %+v", armed, ev)
				}
				armed = &ev
			case bench.WatchDone, bench.WatchFailed:
				switch {
				case armed == nil:
					t.Fatalf("nothing is armed: %+v", ev)
				case ev.Data.Goal != armed.Data.Goal, ev.Time.Before(armed.Time), len(ev.Data.Why) == 0:
					t.Fatalf("armed %+v\nended %+v", armed, ev)
				case ev.Type == bench.WatchFailed && ev.Data.Kind == "":
					t.Fatalf("failed without a kind: %+v", ev)
				}
				armed = nil
			}
		}
	})
}

// A watch is done only while a run goes on, unless a person says so, and every
// end of a run is at once the end of a watch that was armed before.
func TestWatchFitsTheRun(t *testing.T) {
	p := handset(t)
	rapid.Check(t, func(t *rapid.T) {
		armed, up := time.Time{}, false
		var ended *bench.Event // a run that the watch has yet to follow
		for _, ev := range runAll(infer.New(p, genStation(t)), genWatched(t)) {
			if ended != nil && (ev.Type == bench.WatchArmed || ev.Type == bench.WatchDone || !ev.Concluded.Equal(ended.Concluded)) {
				t.Fatalf("the watch outlived %+v: %+v", ended, ev)
			}
			switch ev.Type {
			case bench.RunStarted:
				up = true
			case bench.RunDropped, bench.RunStopped:
				up = false
				if !armed.IsZero() && !ev.Time.Before(armed) {
					ended = &ev
				}
			case bench.WatchArmed:
				armed = ev.Time
			case bench.WatchDone:
				if !up && ev.Data.Kind != bench.WatchMarked {
					t.Fatalf("done without a run: %+v", ev)
				}
				armed = time.Time{}
			case bench.WatchFailed:
				armed, ended = time.Time{}, nil
			}
		}
		if ended != nil {
			t.Fatalf("the watch outlived %+v", ended)
		}
	})
}

// A watch that is saved and taken up again anywhere goes on waiting.
func TestWatchResumesAnywhere(t *testing.T) { resumesAnywhere(t, genWatched) }

// What stands armed is seen from outside, and how it ended until it is put
// away.
func TestWatchView(t *testing.T) {
	s := newStory(t, handset(t))
	s.tell("station window=60s\nmark arm kim stay 2m\nread 3.8 0 1s\nread 3.8 0.5 20s\nadd 0004\nread 3.8 0.4 10s")
	v := viewOf(s)
	want := &bench.WatchView{
		Goal: bench.Goal{Kind: bench.GoalStay, For: 2 * time.Minute}, By: "kim", Armed: epoch, From: epoch.Add(21 * time.Second), Takes: 2 * time.Minute,
	}
	if diff := cmp.Diff(want, v.Watch); diff != "" || v.LastWatch != nil {
		t.Errorf("armed (-want +got):\n%s\nlast: %+v", diff, v.LastWatch)
	}
	s.tell("read 3.8 0 2s")
	v = viewOf(s)
	want.From, want.Ended, want.EndedAs, want.Kind = time.Time{}, epoch.Add(31*time.Second), bench.WatchFailed, bench.WatchDropped
	want.Why = "dropped (died) after 10.0 s, 2 min were wanted"
	if diff := cmp.Diff(want, v.LastWatch); diff != "" || v.Watch != nil {
		t.Errorf("ended (-want +got):\n%s\narmed: %+v", diff, v.Watch)
	}
	s.tell("mark mine kim\nread 3.8 0 1s")
	if v = viewOf(s); v.LastWatch.Kind != bench.WatchStopped || v.LastWatch.Why != "kim said that it was them" {
		t.Errorf("after that was me: %+v", v.LastWatch)
	}
	s.tell("mark arm auto copy\nread 3.8 0 1s")
	if v = viewOf(s); v.Watch == nil || v.LastWatch == nil {
		t.Errorf("what arms by itself put away what nobody saw: %+v, %+v", v.Watch, v.LastWatch)
	}
	s.tell("mark disarm kim\nread 3.8 0 1s")
	if v = viewOf(s); v.LastWatch != nil {
		t.Errorf("put away, and still there: %+v", v.LastWatch)
	}
	if v.Counts.WatchesFailed != 1 || v.Counts.WatchesDone != 0 {
		t.Errorf("counts %+v", v.Counts)
	}
}

func viewOf(s *story) (v bench.Snapshot) {
	s.e.View(s.now, &v)
	return v
}

func TestAutoGoal(t *testing.T) {
	e := infer.New(handset(t), infer.Station{})
	for mode, want := range map[bench.Mode]string{bench.Restoring: "reach running within 3h", bench.RePairing: "re-pair within 2h"} {
		if g, ok := e.AutoGoal(mode); !ok || g.String() != want {
			t.Errorf("%s: %q, %v; want %q", mode, g, ok, want)
		}
	}
	if g, ok := e.AutoGoal(bench.Running); ok {
		t.Errorf("running arms %q", g)
	}
	bare := infer.New(&profile.Profile{Modes: []profile.Spec{{Mode: bench.Off}, {Mode: bench.Restoring}}}, infer.Station{})
	if g, ok := bare.AutoGoal(bench.Restoring); !ok || g.String() != "reach running within 6h" {
		t.Errorf("without a longest dwell: %q, %v", g, ok)
	}
	if g, ok := bare.AutoGoal(bench.RePairing); ok {
		t.Errorf("a mode that the profile does not have arms %q", g)
	}
}

// BenchmarkStepWatched is a restore whose end is waited for.
func BenchmarkStepWatched(b *testing.B) {
	obs := restoreHour()
	e := infer.New(handset(b), infer.Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}})
	e.Step(bench.Observation{At: obs[0].At, Station: "s1", Fact: bench.Mark{Kind: bench.MarkArm, Text: "reach running within 720h"}})
	span := obs[len(obs)-1].At.Sub(obs[0].At) + 100*time.Millisecond
	b.ReportAllocs()
	b.ResetTimer()
	for i := range b.N {
		o := obs[i%len(obs)]
		o.At = o.At.Add(time.Duration(i/len(obs)) * span)
		e.Step(o)
	}
}
