package station_test

import (
	"encoding/json"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/station"
	"benchvigil/internal/unit"
)

// wired is how the stations of these tests are.
var wired = infer.Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}, Window: time.Minute}

// keeper keeps the memories of a station as a ledger does: a state, and how
// many observations are in it.
type keeper struct {
	heard
	data []byte
	upTo int
	n    int
}

// begin begins a station, or takes up what was kept.
func (k *keeper) begin(t *testing.T, take bool, since []bench.Observation) (s *station.Station, stop func()) {
	t.Helper()
	return begin(t, &k.heard, func(o *station.Options) {
		o.Engine = infer.New(handset(t), wired)
		o.Save = func(_ time.Time, m station.Memory) {
			b, err := json.Marshal(m)
			if err != nil {
				t.Error(err)
			}
			k.data, k.upTo, k.n = b, len(k.observations), k.n+1
		}
		if !take {
			return
		}
		var m station.Memory
		if err := json.Unmarshal(k.data, &m); err != nil {
			t.Fatal(err)
		}
		told := slices.Clone(k.events)
		slices.Reverse(told)
		o.Engine = infer.Resume(handset(t), wired, m.Engine)
		o.TakeUp = &station.TakeUp{Memory: m, Since: slices.Values(since), Told: told}
	})
}

func add(number int) bench.Observation {
	return bench.Observation{At: time.Now(), Station: "s1", Fact: bench.USB{
		Change: bench.USBAdd, Port: "1-2", ID: bench.USBID{Vendor: 0x1209, Product: 4}, Number: number,
	}}
}

func mark(kind, text string) bench.Observation {
	return bench.Observation{At: time.Now(), Station: "s1", Fact: bench.Mark{Kind: kind, By: "kim", Text: text}}
}

// feed gives readings for a time.
func feed(s *station.Station, amps unit.Current, d time.Duration) {
	for end := time.Now().Add(d); time.Now().Before(end); {
		s.Put(reading(amps))
		time.Sleep(100 * time.Millisecond)
	}
}

// A station that is killed at some moment, and begun again from what it saved
// and what was recorded since, goes on: its run, its window and its goal. A
// replay of all that was recorded tells what was told live.
func TestTakenUp(t *testing.T) {
	for _, left := range []string{"killed", "stopped"} {
		t.Run(left, func(t *testing.T) { synctest.Test(t, func(t *testing.T) { takenUp(t, left == "killed") }) })
	}
}

func takenUp(t *testing.T, killed bool) {
	t.Helper()
	var k keeper
	s, stop := k.begin(t, false, nil)
	feed(s, 0, time.Second)
	started := time.Now()
	feed(s, 500*unit.Milliampere, 10*time.Second)
	s.Put(add(7))
	s.Put(mark(bench.MarkArm, "stay"))
	s.Put(mark(bench.MarkNote, "it smells"))
	feed(s, 400*unit.Milliampere, 20*time.Second+350*time.Millisecond)
	synctest.Wait()
	kept, upTo, seen := k.data, k.upTo, len(k.observations)
	events := slices.Clone(k.events)
	stop()
	if killed { // what came after the kill never was
		k.data, k.upTo, k.observations, k.events = kept, upTo, k.observations[:seen], events
	}
	if k.n > 12 || k.upTo == len(k.observations) == killed {
		t.Errorf("saved %d times, the last time after %d of %d observations", k.n, k.upTo, len(k.observations))
	}
	before := s.Snapshot()
	time.Sleep(12 * time.Second)

	s, stop = k.begin(t, true, k.observations[k.upTo:])
	synctest.Wait()
	if v := s.Snapshot(); v.Gap == nil || v.Gap.Judged || v.Watch == nil || v.Run == nil || v.Run.Suspect || len(v.Recent) == 0 {
		t.Errorf("before anything is seen: %+v", v)
	}
	s.Put(add(7))
	feed(s, 400*unit.Milliampere, 2*time.Second)
	v := s.Snapshot()
	if up := time.Since(started); v.Run == nil || (v.Run.Uptime-up).Abs() > 200*time.Millisecond || v.Run.Assumed || v.Gap == nil || !v.Gap.Sure {
		t.Errorf("up for %v: run %+v, gap %+v", up, v.Run, v.Gap)
	}
	if diff := cmp.Diff(append(before.Marks, before.LastMark), append(v.Marks, v.LastMark)); diff != "" {
		t.Errorf("marks (-before +after):\n%s", diff)
	}
	if n := len(before.Shape.Amps); len(v.Shape.Amps) < n || !cmp.Equal(before.Shape.Amps[:n-1], v.Shape.Amps[:n-1], maybes, amps) {
		t.Errorf("shape before %v, after %v", before.Shape.Amps, v.Shape.Amps)
	}
	if n := len(v.Shape.Amps); v.Shape.Amps[n-2].Known() || !v.Shape.Amps[n-1].Known() {
		t.Errorf("the last steps, one of them in the gap, show %v", v.Shape.Amps[n-3:])
	}
	feed(s, 400*unit.Milliampere, 40*time.Second)
	stop()
	again := runAll(infer.New(handset(t), wired), k.observations)
	if diff := cmp.Diff(k.events, again, maybes); diff != "" {
		t.Errorf("(-live +replayed):\n%s", diff)
	}
	if last := k.events[len(k.events)-1]; last.Type != bench.WatchDone {
		t.Errorf("the last event is %+v, want the goal reached", last)
	}
}

var amps = cmp.AllowUnexported(unit.Maybe[unit.Current]{})

func runAll(e *infer.Engine, obs []bench.Observation) (out []bench.Event) {
	for _, o := range obs {
		out = append(out, e.Step(o)...)
	}
	return out
}

// A wall clock that was stepped back meanwhile is followed.
func TestTakenUpWithTheClockBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var k keeper
		s, stop := k.begin(t, false, nil)
		feed(s, 0, time.Second)
		feed(s, 500*unit.Milliampere, 10*time.Second)
		stop()
		var m station.Memory
		if err := json.Unmarshal(k.data, &m); err != nil {
			t.Fatal(err)
		}
		back := func() time.Time { return time.Now().Round(0).Add(-time.Hour) }
		s, stop = begin(t, &k.heard, func(o *station.Options) {
			o.Now, o.Engine, o.TakeUp = back, infer.Resume(handset(t), wired, m.Engine), &station.TakeUp{Memory: m}
		})
		for range 20 {
			r := reading(500 * unit.Milliampere)
			r.At = back()
			s.Put(r)
			time.Sleep(100 * time.Millisecond)
		}
		v := s.Snapshot()
		stop()
		if v.Run == nil || v.Run.Uptime < 11*time.Second || v.Run.Uptime > 13*time.Second {
			t.Errorf("run %+v", v.Run)
		}
		if diff := cmp.Diff(k.events, runAll(infer.New(handset(t), wired), k.observations), maybes); diff != "" {
			t.Errorf("(-live +replayed):\n%s", diff)
		}
	})
}

// A crash between a mode and the goal that it arms by itself leaves no hole.
func TestAutoArmAfterACrash(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		auto := []bench.Mode{bench.Restoring}
		var h heard
		s, stop := begin(t, &h, func(o *station.Options) { o.Engine, o.Auto = infer.New(handset(t), wired), auto })
		feed(s, 0, time.Second)
		feed(s, 500*unit.Milliampere, 10*time.Second)
		u := add(7)
		u.Fact = bench.USB{Change: bench.USBAdd, Port: "1-2", ID: bench.USBID{Vendor: 0x1209, Product: 3}, Number: 7}
		s.Put(u)
		feed(s, 400*unit.Milliampere, time.Second)
		stop()
		cut := slices.IndexFunc(h.observations, func(o bench.Observation) bool { _, is := o.Fact.(bench.Mark); return is })
		if cut < 0 {
			t.Fatal("nothing was armed")
		}
		before := h.observations[:cut]
		var after heard
		s, stop = begin(t, &after, func(o *station.Options) {
			o.Engine, o.Auto, o.TakeUp = infer.New(handset(t), wired), auto, &station.TakeUp{Since: slices.Values(before)}
		})
		time.Sleep(time.Second)
		v := s.Snapshot()
		stop()
		if v.Watch == nil || v.Watch.By != bench.Automatic {
			t.Errorf("armed %+v", v.Watch)
		}
	})
}
