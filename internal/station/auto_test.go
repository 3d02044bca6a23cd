package station_test

import (
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

// plugged says that a device of this product appears.
func plugged(product uint16) bench.Observation {
	return bench.Observation{At: time.Now(), Station: "s1", Fact: bench.USB{Change: bench.USBAdd, Port: "1-2", ID: bench.USBID{Vendor: 0x1209, Product: product}}}
}

// restored puts a board through a start, a restore and the system after it.
func restored(t *testing.T, s *station.Station) {
	t.Helper()
	read := func(amps unit.Current, n int) {
		for range n {
			s.Put(reading(amps))
			time.Sleep(100 * time.Millisecond)
		}
	}
	read(0, 10)
	read(500*unit.Milliampere, 80)
	s.Put(plugged(3))
	read(800*unit.Milliampere, 300)
	s.Put(plugged(4))
	read(400*unit.Milliampere, 300)
}

// Entering a restore arms the goal that fits it, by a mark that stands in the
// recording, so that its replay tells the same.
func TestAutoArms(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h heard
		s, stop := begin(t, &h, func(o *station.Options) { o.Auto = []bench.Mode{bench.Restoring} })
		restored(t, s)
		stop()
		var got []string
		for _, e := range h.events {
			if e.Data.Goal != "" {
				got = append(got, string(e.Type)+" "+e.Data.Goal+" "+e.Data.By)
			}
		}
		want := []string{"benchvigil.watch.armed reach running within 3h auto", "benchvigil.watch.done reach running within 3h "}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
		e := infer.New(handset(t), infer.Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}})
		var again []bench.Event
		for _, o := range h.observations {
			again = append(again, e.Step(o)...)
		}
		if diff := cmp.Diff(h.events, again, maybes); diff != "" {
			t.Errorf("(-live +replayed):\n%s", diff)
		}
	})
}

// A goal that somebody armed stays, and where nothing shall arm, nothing does.
func TestAutoLeavesGoalsAlone(t *testing.T) {
	for _, tc := range []struct {
		name string
		auto []bench.Mode
		by   string
	}{{"armed before", []bench.Mode{bench.Restoring}, "kim"}, {"no auto", nil, ""}, {"another mode", []bench.Mode{bench.RePairing}, ""}} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var h heard
				s, stop := begin(t, &h, func(o *station.Options) { o.Auto = tc.auto })
				if tc.by != "" {
					s.Put(bench.Observation{At: time.Now(), Station: "s1", Fact: bench.Mark{Kind: bench.MarkArm, By: tc.by, Text: "copy"}})
				}
				restored(t, s)
				v := s.Snapshot()
				stop()
				if tc.by == "" && v.Watch != nil || tc.by != "" && (v.Watch == nil || v.Watch.By != tc.by) {
					t.Errorf("armed is %+v", v.Watch)
				}
				if slices.ContainsFunc(h.events, func(e bench.Event) bool { return e.Data.By == bench.Automatic }) {
					t.Error("a goal armed itself")
				}
			})
		})
	}
}

// What arms by itself can be changed while the station runs.
func TestArmIn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h heard
		s, stop := begin(t, &h, nil)
		s.ArmIn([]bench.Mode{bench.Restoring})
		restored(t, s)
		stop()
		if !slices.ContainsFunc(h.events, func(e bench.Event) bool { return e.Type == bench.WatchArmed }) {
			t.Error("nothing was armed")
		}
	})
}

// A board that was stopped has nothing to wait for, until somebody says that the
// stop was a mistake.
func TestAutoWaitsForTheRun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h heard
		s, stop := begin(t, &h, func(o *station.Options) { o.Auto = []bench.Mode{bench.Restoring} })
		read := func(amps unit.Current, n int) bench.Snapshot {
			for range n {
				s.Put(reading(amps))
				time.Sleep(100 * time.Millisecond)
			}
			return s.Snapshot()
		}
		mark := func(kind string) {
			s.Put(bench.Observation{At: time.Now(), Station: "s1", Fact: bench.Mark{Kind: kind, By: "kim"}})
		}
		read(0, 10)
		read(500*unit.Milliampere, 80)
		mark(bench.MarkStop)
		s.Put(plugged(3))
		if v := read(800*unit.Milliampere, 100); v.Mode != bench.Restoring || v.Watch != nil {
			t.Errorf("stopped: %s, %+v", v.Mode, v.Watch)
		}
		mark(bench.MarkResume)
		if v := read(800*unit.Milliampere, 10); v.Run == nil || v.Watch == nil || v.Watch.By != bench.Automatic {
			t.Errorf("resumed: %+v, %+v", v.Run, v.Watch)
		}
		stop()
	})
}

// A goal from before the program was started is brought up until another is
// armed, or it is put away: that is told once.
func TestForgottenGoal(t *testing.T) {
	for kind, want := range map[string]bench.EventType{bench.MarkArm: bench.WatchArmed, bench.MarkDisarm: bench.WatchFailed} {
		synctest.Test(t, func(t *testing.T) {
			var h heard
			was := &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalCopy}, By: "kim", Armed: time.Now()}
			s, stop := begin(t, &h, func(o *station.Options) { o.Forgot = was })
			time.Sleep(time.Second)
			if s.Snapshot().Forgotten != was {
				t.Error("it is not brought up")
			}
			for range 2 {
				s.Put(bench.Observation{At: time.Now(), Station: "s1", Fact: bench.Mark{Kind: kind, By: "kim", Text: "copy"}})
				time.Sleep(time.Second)
			}
			if s.Snapshot().Forgotten != nil {
				t.Error("it is still brought up")
			}
			stop()
			if len(h.events) == 0 || h.events[0].Type != want || kind == bench.MarkDisarm && len(h.events) != 1 {
				t.Errorf("%s tells %+v", kind, h.events)
			}
		})
	}
}
