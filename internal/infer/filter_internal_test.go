package infer

import (
	"math"
	"os"
	"testing"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
	"benchvigil/internal/stats"
	"benchvigil/internal/unit"
)

var began = time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC)

// asleepOrRunning is an Engine whose board shows an identity that stands for
// two modes, with a current that fits neither better.
func asleepOrRunning(t *testing.T) *Engine {
	t.Helper()
	p, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	e := New(p, Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}})
	for i := range 30 {
		at := began.Add(time.Duration(i) * 100 * time.Millisecond)
		if i == 1 {
			e.Step(bench.Observation{At: at, Fact: bench.USB{Change: bench.USBAdd, ID: bench.USBID{Vendor: 0x1209, Product: 4}}})
		}
		e.Step(bench.Observation{At: at, Fact: bench.Power{Amps: unit.Some(400 * unit.Milliampere)}})
	}
	e.Tick(began.Add(4100 * time.Millisecond)) // the last reading is taken, and its second is over
	return e
}

// A step without evidence is pure prediction over the modes that are open.
func TestStepWithoutEvidenceIsPrediction(t *testing.T) {
	e := asleepOrRunning(t)
	if e.s.Belief.Open == 0 {
		t.Fatal("nothing is open: this proves nothing")
	}
	want, err := stats.NewFilter(e.m.chain, e.filter.Posterior())
	if err != nil {
		t.Fatal(err)
	}
	open := make([]float64, e.m.chain.States())
	for i := range e.m.modes {
		for c := e.m.first[i]; c < e.m.first[i+1] && e.isOpen(i); c++ {
			open[c] = 1
		}
	}
	for i := 1; i <= 15; i++ { // less than the readings may be silent
		e.Tick(began.Add(4*time.Second + time.Duration(i)*100*time.Millisecond + time.Millisecond))
		want.Predict()
		want.Update(open)
		for c, p := range e.filter.Posterior() {
			if math.Abs(p-want.Posterior()[c]) > 1e-12 {
				t.Fatalf("after %d steps state %d is believed %v, prediction alone gives %v", i, c, p, want.Posterior()[c])
			}
		}
	}
}

// A start passes through its stages in the time that the profile says: each
// lasts 1/(1-p) steps in the mean, where p is the chance to stay.
func TestStagesOfStart(t *testing.T) {
	e := asleepOrRunning(t)
	i := e.m.index(bench.Starting)
	var steps float64
	for _, tr := range e.m.transitions() {
		if tr.From == tr.To && tr.From >= e.m.first[i] && tr.From < e.m.first[i+1] {
			steps += 1 / (1 - tr.P)
		}
	}
	if got, want := steps/stepsPerSecond, e.p.Spec(bench.Starting).Typical.Seconds(); math.Abs(got-want) > 1e-9 {
		t.Errorf("a start lasts %v s in the mean, the profile says %v s", got, want)
	}
}

// Currents fit a mode alike within its band, and less and less beside it, but
// no current is impossible.
func TestDensity(t *testing.T) {
	d := bandDensity(&profile.Spec{Amps: unit.Some(profile.Band{Low: 80 * unit.Milliampere, High: 1800 * unit.Milliampere})},
		bench.Hookup{Path: bench.FromSupply})
	for _, c := range []unit.Current{80 * unit.Milliampere, 400 * unit.Milliampere, 1800 * unit.Milliampere} {
		if got := d.log(c); got != 0 {
			t.Errorf("%v fits with %v, want 0", c, got)
		}
	}
	// One tail beside the band, 12 % of its edge, fits as well; one more, where z
	// is 1, as the density of Student's t: (1 + 1/2)^(-3/2).
	if got := d.log(1800 * unit.Milliampere * 112 / 100); got != 0 {
		t.Errorf("a tail beside the band fits with %v, want 0", got)
	}
	if got, want := d.log(1800*unit.Milliampere*124/100), -1.5*math.Log(1.5); math.Abs(got-want) > 1e-9 {
		t.Errorf("two tails beside the band fit with %v, want %v", got, want)
	}
	last := 0.0
	for c := 70 * unit.Milliampere; c >= 0; c -= unit.Milliampere {
		if got := d.log(c); got >= last || math.IsInf(got, -1) {
			t.Fatalf("%v fits with %v after %v", c, got, last)
		} else {
			last = got
		}
	}
}
