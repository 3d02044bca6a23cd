package trace_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/trace"
)

func TestRollups(t *testing.T) {
	ps := []trace.Point{
		{At: 1000, Known: 3, Values: [5]int64{3_800_000, 100_000}},
		{At: 1500, Known: 3, Values: [5]int64{3_799_000, 104_000}},
		{At: 1999, Known: 1, Values: [5]int64{3_800_000}},
		{At: 4000, Known: 2, Values: [5]int64{0, 7_000}},
	}
	want := []trace.Rollup{
		{
			At: 1000, Count: 3,
			Volts: trace.Span{Known: true, Min: 3_799_000, Mean: 3_799_700, Max: 3_800_000},
			Amps:  trace.Span{Known: true, Min: 100_000, Mean: 102_000, Max: 104_000},
		},
		{At: 4000, Count: 1, Amps: trace.Span{Known: true, Min: 7_000, Mean: 7_000, Max: 7_000}},
	}
	if d := cmp.Diff(want, trace.Rollups(ps)); d != "" {
		t.Error(d)
	}
}

func TestRollupsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := trace.Rollups(points(t))
		b, err := trace.EncodeRollups(want)
		if err != nil {
			t.Fatal(err)
		}
		got, err := trace.DecodeRollups(b)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Fatal(d)
		}
	})
}

// The least and greatest are readings, the mean lies between, and nothing is
// left out.
func TestRollupsHold(t *testing.T) {
	ps := Bench(3, 100, 5*time.Minute)
	count := int64(0)
	for _, r := range trace.Rollups(ps) {
		count += r.Count
		if r.Amps.Min > r.Amps.Mean || r.Amps.Mean > r.Amps.Max || r.Amps.Min%1000 != 0 || r.Amps.Mean%100 != 0 {
			t.Fatalf("%+v", r)
		}
	}
	if count != int64(len(ps)) {
		t.Errorf("%d readings summed up, want %d", count, len(ps))
	}
}

func FuzzDecodeRollups(f *testing.F) {
	b, err := trace.EncodeRollups(trace.Rollups(Bench(1, 10, time.Minute)))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Fuzz(func(t *testing.T, b []byte) {
		if rs, err := trace.DecodeRollupsUnchecked(b); err == nil && (len(rs) == 0 || len(rs) > trace.MaxPoints) {
			t.Fatalf("%d roll-ups", len(rs))
		}
	})
}
