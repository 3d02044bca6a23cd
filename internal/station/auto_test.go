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
