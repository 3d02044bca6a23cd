package signature_test

import (
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/signature"
	"benchvigil/internal/sim"
	"benchvigil/internal/unit"
)

const (
	s  = time.Second
	ms = time.Millisecond
	mA = unit.Milliampere
)

func level(d time.Duration, amps, ripple unit.Current) sim.Phase {
	return sim.Phase{For: d, Amps: amps * mA, Ripple: ripple * mA}
}

// kinds are invented starts: a good one and five that go wrong.
func kinds() map[string][]sim.Phase {
	return map[string][]sim.Phase{
		"good":        {level(1200*ms, 45, 0), level(2*s, 120, 8), level(5*s, 320, 60), level(8*s, 560, 200), level(2*s, 350, 60)},
		"stuck":       {level(18*s, 45, 0)},
		"no main":     {level(1200*ms, 45, 0), level(17*s, 120, 8)},
		"leak":        {level(1200*ms, 190, 0), level(2*s, 265, 8), level(5*s, 465, 60), level(8*s, 705, 200), level(2*s, 495, 60)},
		"dead screen": {level(1200*ms, 45, 0), level(2*s, 120, 8), level(5*s, 320, 60), level(10*s, 180, 20)},
		"short":       {level(800*ms, 45, 0), level(5*s, 1480, 4)},
	}
}

// instrument is what a supply makes of a current.
type instrument struct {
	period     time.Duration
	resolution unit.Current
	lost       float64 // share of readings
}

// noise is not white: a part that is correlated over about a second, and bursts
// of up to half a second as a radio makes them; both are told by the seed.
type noise struct {
	rng   *rand.Rand
	slow  float64 // amperes
	burst float64
	until time.Duration
}

// slow is the standard deviation of the correlated part, in amperes.
const slow = 0.006

func (n *noise) at(t, period time.Duration) float64 {
	keep := math.Exp(-period.Seconds())
	uniform := math.Sqrt(12) * (n.rng.Float64() - 0.5)
	n.slow = keep*n.slow + slow*math.Sqrt(1-keep*keep)*uniform
	if t >= n.until && n.rng.Float64() < 0.15*period.Seconds() {
		n.until = t + time.Duration(100+n.rng.IntN(400))*ms
		n.burst = 0.05 + 0.15*n.rng.ExpFloat64()
	}
	if t < n.until {
		return n.slow + n.burst
	}
	return n.slow
}

// read is a start as an instrument sees it: each step a fifth longer or shorter,
// the levels up to 5 % off, and noise.
func read(phases []sim.Phase, in instrument, seed uint64) []signature.Reading {
	rng := rand.New(rand.NewPCG(seed, 7))
	sc := &sim.Scenario{}
	gain := 0.95 + 0.1*rng.Float64()
	for _, p := range phases {
		p.For = time.Duration(float64(p.For) * (0.8 + 0.4*rng.Float64()))
		p.Amps = unit.Current(float64(p.Amps) * gain)
		sc.Phases = append(sc.Phases, p)
	}
	n := noise{rng: rng}
	phase := time.Duration(rng.Int64N(int64(in.period))) // where the power-up falls between two readings
	var out []signature.Reading
	for t := phase; t < sc.Length(); t += in.period {
		amps := sc.Read(t).Amps + unit.FromAmps(n.at(t, in.period))
		if rng.Float64() < in.lost && len(out) > 0 {
			continue
		}
		out = append(out, signature.Reading{At: t - phase, Amps: max(0, amps).Round(in.resolution)})
	}
	return out
}

func traceOf(t testing.TB, r []signature.Reading) signature.Trace {
	t.Helper()
	tr, _, err := signature.NewTrace(r)
	if err != nil {
		t.Fatal(err)
	}
	tr.End, tr.Mode = signature.Up, bench.Running
	return tr
}

// bookOf has one reference of each kind, made by one instrument.
func bookOf(t testing.TB, in instrument) (out []signature.Reference) {
	t.Helper()
	for _, kind := range slices.Sorted(maps.Keys(kinds())) {
		out = append(out, signature.Reference{Name: kind, Trace: traceOf(t, read(kinds()[kind], in, 1000))})
	}
	return out
}

// The instruments: period, resolution, share of readings that are lost.
var instruments = map[string]instrument{
	"2 Hz":         {500 * ms, mA, 0},
	"2 Hz, 10 mA":  {500 * ms, 10 * mA, 0},
	"10 Hz":        {100 * ms, mA, 0},
	"10 Hz, lossy": {100 * ms, 10 * mA, 0.3},
	"50 Hz":        {20 * ms, 10 * mA, 0.05},
	"odd":          {330 * ms, mA, 0.1},
}

// A start is nearest to its own kind, whatever instruments read the two.
func TestNearestIsOwnKind(t *testing.T) {
	const seeds = 3
	for _, there := range []string{"2 Hz", "10 Hz", "50 Hz"} {
		book := bookOf(t, instruments[there])
		for here, in := range instruments {
			for kind, phases := range kinds() {
				right := 0
				for seed := range uint64(seeds) {
					if best := signature.Compare(traceOf(t, read(phases, in, 2000+seed)), book); best[0].Reference.Name == kind {
						right++
					} else {
						t.Logf("seed %d: %s is nearest to %s, at %v", seed, kind, best[0].Reference.Name, best[0].Distance)
					}
				}
				if right != seeds {
					t.Errorf("%s read at %s beside references at %s: nearest to its own kind in %d of %d", kind, here, there, right, seeds)
				}
			}
		}
	}
}

// The good start and the one whose screen stays dead go together for 8.2 s on
// average; noise may hide or feign that once in a while.
func TestPartsWhereItDoes(t *testing.T) {
	for _, name := range []string{"10 Hz, lossy", "50 Hz"} {
		in := instruments[name]
		good := []signature.Reference{{Name: "good", Trace: traceOf(t, read(kinds()["good"], in, 1000))}}
		right, own := 0, 0
		const seeds = 60
		for seed := range uint64(seeds) {
			p, ok := signature.Compare(traceOf(t, read(kinds()["dead screen"], in, 5000+seed)), good)[0].Parts.Get()
			if ok && p.At > 6500*ms && p.At < 9900*ms && p.Here < p.There {
				right++
			}
			if _, ok := signature.Compare(traceOf(t, read(kinds()["good"], in, 5000+seed)), good)[0].Parts.Get(); ok {
				own++
			}
		}
		if right < 54 {
			t.Errorf("at %s: found in %d of %d", name, right, seeds)
		}
		if own > 4 {
			t.Errorf("at %s: good starts part in %d of %d", name, own, seeds)
		}
	}
}
