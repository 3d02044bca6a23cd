package signature_test

import (
	"errors"
	"fmt"
	"os"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
	"benchvigil/internal/signature"
	"benchvigil/internal/sim"
	"benchvigil/internal/unit"
)

var zero = time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC)

func handset(t testing.TB) *profile.Profile {
	t.Helper()
	p, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// startsOf finds the starts of a station in observations, which end with the
// watch.
func startsOf(t testing.TB, h bench.Hookup, all []bench.Observation) (out []signature.Start) {
	t.Helper()
	f := signature.Find(handset(t), infer.Station{ID: "s1", Hookup: h}, func(s signature.Start) { out = append(out, s) })
	for _, o := range all {
		f.Step(o)
	}
	told := len(out)
	if f.Finish(); len(out) != told {
		t.Error("the end of the watch does not complete the last start")
	}
	return out
}

// told is a start in one line: when, how it ended, how long its levels last.
func told(s signature.Start) string {
	if s.Err != nil {
		return fmt.Sprintf("run %d at %v: %v", s.Run, s.At.Sub(zero), s.Err)
	}
	return fmt.Sprintf("run %d at %v: %s %s after %v, %v", s.Run, s.At.Sub(zero), s.Trace.End, s.Trace.Mode, s.Trace.After, s.Trace.Length())
}

func toldAll(all []signature.Start) (out []string) {
	for _, s := range all {
		out = append(out, told(s))
	}
	return out
}

func TestFindInStories(t *testing.T) {
	for name, want := range map[string][]string{
		"window-met":        {"run 1 at 5s: up running after 20s, 22s"},
		"restore-completes": {"run 1 at 2s: up recovery after 8s, 10s"},
		"restore-drops":     {"run 1 at 2s: up restoring after 8s, 10s"},
		"silent-supply":     {"run 1 at 2s: up running after 15s, 17s"},
		"short-interruption": {
			"run 1 at 2s: up running after 15s, 17s",
			"run 2 at 1m17.3s: up running after 20s, 22s",
		},
		"battery-board": {"run 1 at 3s: no reading of the supply in it"},
		"five-drops": {
			"run 1 at 3s: up running after 20s, 22s",
			"run 2 at 3m23.1s: up running after 20s, 22s",
			"run 3 at 6m44s: up running after 20s, 22s",
			"run 4 at 10m4.6s: up running after 20s, 22s",
			"run 5 at 13m24.9s: up running after 20s, 22s",
		},
	} {
		t.Run(name, func(t *testing.T) {
			sc, err := sim.ByName(name)
			if err != nil {
				t.Fatal(err)
			}
			got := startsOf(t, sc.Hookup, sim.Observe(sc, "s1", "1-1", zero, 100*ms))
			if d := cmp.Diff(want, toldAll(got)); d != "" {
				t.Error(d)
			}
		})
	}
}

var onSupply = bench.Hookup{Path: bench.FromSupply, USB: true}

func board(phases ...sim.Phase) []bench.Observation {
	return sim.Observe(&sim.Scenario{Hookup: onSupply, Phases: phases}, "s1", "1-1", zero, 100*ms)
}

func shows(d time.Duration, product uint16) sim.Phase {
	p := level(d, 350, 60)
	p.ID = bench.USBID{Vendor: 0x1209, Product: product}
	return p
}

// What ends a start, beside that the board is up.
func TestFindEndings(t *testing.T) {
	stop := level(3*s, 300, 0)
	stop.Mark = &bench.Mark{By: "ines", Kind: bench.MarkStop}
	silent := level(9*s, 300, 0)
	silent.Silent = true
	for _, c := range []struct {
		name string
		all  []bench.Observation
		want []string
		gap  bool
	}{
		{"dropped", board(level(2*s, 0, 0), level(5*s, 300, 0), level(9*s, 0, 0)), []string{"run 1 at 2s: dropped  after 5s, 6s"}, false},
		{
			"dropped and back at once", board(level(2*s, 0, 0), level(5*s, 300, 0), level(300*ms, 0, 0), level(4*s, 300, 0), level(9*s, 0, 0)),
			[]string{"run 1 at 2s: dropped  after 5s, 5.3s", "run 2 at 7.3s: dropped  after 4s, 5s"},
			false,
		},
		{"dropped when just up", board(level(2*s, 0, 0), level(5*s, 300, 0), shows(s, 4), level(9*s, 0, 0)), []string{"run 1 at 2s: dropped  after 6s, 7s"}, false},
		{"stopped by a mark", board(level(2*s, 0, 0), level(5*s, 300, 0), stop, level(9*s, 0, 0)), []string{"run 1 at 2s: stopped  after 5s, 6s"}, false},
		{"hangs", board(level(2*s, 0, 0), level(90*s, 300, 0)), []string{"run 1 at 2s: cut  after 1m0s, 1m0s"}, false},
		{"end of the recording", board(level(2*s, 0, 0), level(7*s, 300, 0)), []string{"run 1 at 2s: cut  after 7s, 7s"}, false},
		{"supply silent", board(level(2*s, 0, 0), level(7*s, 300, 0), silent, level(5*s, 300, 0), shows(9*s, 4)), []string{"run 1 at 2s: cut  after 7s, 7s"}, true},
		{"up at first sight", board(shows(20*s, 4)), nil, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := startsOf(t, onSupply, c.all)
			if d := cmp.Diff(c.want, toldAll(got)); d != "" {
				t.Error(d)
			}
			if len(got) > 0 && got[0].Gap != c.gap {
				t.Errorf("readings missing: %v", got[0].Gap)
			}
		})
	}
}

// What other instruments of the station read is not the board's; a clock that
// is stepped changes nothing.
func TestFindBesides(t *testing.T) {
	all := board(level(2*s, 0, 0), level(5*s, 45, 0), level(5*s, 300, 0), shows(20*s, 4))
	want := startsOf(t, onSupply, all)
	if len(want) != 1 || len(want[0].Trace.Steps()) < 2 {
		t.Fatalf("%v", toldAll(want))
	}
	var meters, stepped []bench.Observation
	for i, o := range all {
		meters = append(meters, o)
		if _, ok := o.Fact.(bench.Power); ok {
			meters = append(meters, bench.Observation{At: o.At, Station: o.Station, Fact: bench.Power{Amps: unit.Some(unit.Current(i%7) * mA), Channel: bench.ChannelVBUS}})
		}
		if i == 60 {
			stepped = append(stepped, bench.Observation{At: o.At.Add(time.Hour), Station: o.Station, Fact: bench.Clock{Jump: time.Hour}})
		}
		if i >= 60 {
			o.At = o.At.Add(time.Hour)
		}
		stepped = append(stepped, o)
	}
	for name, all := range map[string][]bench.Observation{"meters": meters, "clock step": stepped} {
		if d := cmp.Diff(want, startsOf(t, onSupply, all)); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
}

// A start too short to be cut says so.
func TestFindTooShort(t *testing.T) {
	got := startsOf(t, onSupply, board(level(2*s, 0, 0), level(300*ms, 300, 0)))
	if len(got) != 1 || !errors.Is(got[0].Err, signature.ErrTrace) {
		t.Errorf("%v", toldAll(got))
	}
}
