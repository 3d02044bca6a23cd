package trace_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/bench"
	"benchvigil/internal/trace"
	"benchvigil/internal/unit"
)

// points draws anything that a source could ever show, sensible or not.
func points(t *rapid.T) []trace.Point {
	n := rapid.IntRange(1, 300).Draw(t, "points")
	at := rapid.Int64Range(-1<<47, 1<<47).Draw(t, "start")
	period := rapid.SampledFrom([]int64{0, 1, 7, 10, 100, 1000, 60_000}).Draw(t, "period")
	jitter := rapid.SampledFrom([]int64{0, 1, 5}).Draw(t, "jitter")
	value := rapid.OneOf(
		rapid.Map(rapid.Int64Range(-20, 2000), func(v int64) int64 { return v * 1000 }),
		rapid.Just(int64(3_800_000)), rapid.Int64(),
		rapid.SampledFrom([]int64{math.MinInt64, math.MaxInt64, 0, -1}),
	)
	known := rapid.SampledFrom([]uint8{0x1f, 0x03, 0x01, 0x02, 0x00})
	odd := rapid.IntRange(0, 9).Draw(t, "one in ten is odd")
	usual := known.Draw(t, "known")
	out := make([]trace.Point, n)
	for i := range out {
		p := trace.Point{At: at, Known: usual}
		if rapid.IntRange(0, 9).Draw(t, "odd") < odd {
			p.Known = known.Draw(t, "known here")
			at += rapid.Int64Range(0, 5*period+1).Draw(t, "gap")
		}
		for v := range p.Values {
			if p.Known&(1<<v) != 0 {
				p.Values[v] = value.Draw(t, "value")
			}
		}
		out[i] = p
		at += period + rapid.Int64Range(0, jitter).Draw(t, "late")
	}
	return out
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := points(t)
		b, err := trace.Encode(want)
		if err != nil {
			t.Fatal(err)
		}
		got, err := trace.Decode(b)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Fatal(d)
		}
	})
}

// Whatever byte is flipped, the block is known as damaged.
func TestDamage(t *testing.T) {
	b, err := trace.Encode(Bench(1, 100, 10*time.Second))
	if err != nil {
		t.Fatal(err)
	}
	for i := range b {
		b[i] ^= 1 << (i % 8)
		if _, err := trace.Decode(b); !errors.Is(err, trace.ErrDamaged) {
			t.Fatalf("byte %d flipped: %v, want ErrDamaged", i, err)
		}
		b[i] ^= 1 << (i % 8)
	}
	for _, n := range []int{0, 1, 5, len(b) / 2, len(b) - 1} {
		if _, err := trace.Decode(b[:n]); !errors.Is(err, trace.ErrDamaged) {
			t.Errorf("cut to %d bytes: %v, want ErrDamaged", n, err)
		}
	}
	if _, err := trace.DecodeRollups(b); !errors.Is(err, trace.ErrDamaged) {
		t.Errorf("a block read as roll-ups: %v, want ErrDamaged", err)
	}
}

func TestEncodeRefuses(t *testing.T) {
	for name, tt := range map[string]struct {
		points []trace.Point
		want   error
	}{
		"none":       {nil, trace.ErrSize},
		"too many":   {make([]trace.Point, trace.MaxPoints+1), trace.ErrSize},
		"disorder":   {[]trace.Point{{At: 2}, {At: 1}}, trace.ErrOrder},
		"far future": {[]trace.Point{{At: 1 << 60}}, trace.ErrTime},
	} {
		if _, err := trace.Encode(tt.points); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", name, err, tt.want)
		}
	}
}

// A regular instrument costs nothing for its clock, nor for readings that it
// lost.
func TestClockIsFree(t *testing.T) {
	size := func(lose bool) int {
		var ps []trace.Point
		for i := range int64(6000) {
			if lose && i >= 3000 && i < 3100 {
				continue
			}
			ps = append(ps, trace.Point{At: 1_700_000_000_000 + i*10, Known: 1, Values: [5]int64{3_800_000}})
		}
		b, err := trace.Encode(ps)
		if err != nil {
			t.Fatal(err)
		}
		return len(b)
	}
	if whole, lossy := size(false), size(true); whole > 40 || lossy > whole+8 {
		t.Errorf("%d bytes, with lost readings %d: want 40 and 8 more at most", whole, lossy)
	}
}

func TestFactsRoundTrip(t *testing.T) {
	at := time.UnixMilli(1_772_486_045_120).UTC()
	for _, f := range []bench.Fact{
		bench.Power{Volts: unit.Some(3_801 * unit.Millivolt), Amps: unit.Some(unit.Current(0))},
		bench.Power{
			SetVolts: unit.Some(4 * unit.Volt), LimitAmps: unit.Some(2 * unit.Ampere),
			Output: unit.Some(false), Channel: bench.ChannelMain,
		},
		bench.Power{Output: unit.Some(true), Channel: bench.ChannelVBUS},
		bench.Power{},
		bench.Temperature{Celsius: 31_250},
		bench.Traffic{URBs: math.MaxUint64},
	} {
		c, p, ok := trace.Of(bench.Observation{At: at, Station: "s1", Fact: f})
		if got := p.Fact(c); !ok || !cmp.Equal(got, f, cmp.Comparer(same)) || p.At != at.UnixMilli() {
			t.Errorf("%#v comes back as %#v", f, got)
		}
	}
	if _, _, ok := trace.Of(bench.Observation{At: at, Fact: bench.USB{Change: bench.USBAdd}}); ok {
		t.Error("a USB change is no point of a trace")
	}
}

func same(a, b bench.Fact) bool { return a == b }

func FuzzDecode(f *testing.F) {
	for seed := range uint64(4) {
		b, err := trace.Encode(Bench(seed, 50, 3*time.Second))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Add([]byte{1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		ps, err := trace.DecodeUnchecked(b)
		if err != nil {
			return
		}
		if len(ps) == 0 || len(ps) > trace.MaxPoints {
			t.Fatalf("%d points", len(ps))
		}
		again, err := trace.Encode(ps)
		if err != nil {
			t.Fatalf("what was decoded is refused: %v", err)
		}
		back, err := trace.Decode(again)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(ps, back); d != "" {
			t.Fatal(d)
		}
	})
}

// states are what an invented board draws, in mA: off, leak, idle, start, low,
// medium, high, busy.
var states = []float64{0, 3, 95, 420, 85, 240, 1480, 650}

// Bench makes up the readings of a board: eight states with activity that
// wanders (AR(1)), ripple and converter noise of 1.5 mA, 1 mA and 1 mV of
// resolution, volts that sag with the current, the host's jitter of 0.3 ms and
// one reading in 2,000 lost.
func Bench(seed, hz uint64, lasts time.Duration) []trace.Point {
	rnd := rand.New(rand.NewPCG(seed, 7))
	period := time.Second / time.Duration(hz)
	drift := 1 + 30e-6*rnd.NormFloat64()
	activity, state := 0.0, int(seed)%len(states)
	var out []trace.Point
	for t := time.Duration(0); t < lasts; t += period {
		if rnd.Float64() < period.Seconds()/20 {
			state = rnd.IntN(len(states))
		}
		activity = 0.98*activity + 0.04*states[state]*rnd.NormFloat64()/3
		amps := states[state] + activity + 1.5*rnd.NormFloat64()
		if states[state] > 50 {
			amps += 2 * math.Sin(2*math.Pi*13*t.Seconds())
		}
		amps = math.Round(max(amps, 0))
		volts := math.Round(3801 - 0.02*amps + 0.4*rnd.NormFloat64())
		late := math.Abs(0.3 * rnd.NormFloat64())
		if rnd.IntN(2000) == 0 {
			continue
		}
		out = append(out, trace.Point{
			At:    1_772_486_045_000 + int64(math.Round(t.Seconds()*1000*drift+late)),
			Known: 3, Values: [5]int64{int64(volts) * 1000, int64(amps) * 1000},
		})
	}
	return out
}
