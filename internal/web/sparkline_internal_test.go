package web

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

var (
	gap = unit.Maybe[unit.Current]{}
	mA  = func(n int64) unit.Maybe[unit.Current] { return unit.Some(unit.Current(n) * unit.Milliampere) }
)

// drawn draws a shape that ended some time ago. The box is 240 wide: the last
// of 120 steps begins at 238.
func drawn(late time.Duration, amps ...unit.Maybe[unit.Current]) Sparkline {
	return sparkline(&bench.Snapshot{At: night, Shape: bench.Shape{Step: 5 * time.Second, Until: night.Add(-late), Amps: amps}})
}

func TestSparkline(t *testing.T) {
	for _, tc := range []struct {
		name       string
		got        Sparkline
		line, area string
		top, text  string
	}{
		{
			"ends now", drawn(0, mA(0), mA(500), mA(1000)),
			"M234 100L236 52L238 4h2", "M234 100L234 100L236 52L238 4h2V100Z",
			"1.000 A", "Current over the last 10 min: 0.00 mA to 1.000 A",
		},
		{
			"a gap is a gap", drawn(0, mA(100), gap, mA(100)),
			"M234 4h2M238 4h2", "M234 100L234 4h2V100ZM238 100L238 4h2V100Z",
			"100 mA", "Current over the last 10 min: 100 mA to 100 mA, with gaps",
		},
		{
			"the step under way is no gap", drawn(4900*time.Millisecond, mA(100)),
			"M238 4h2", "M238 100L238 4h2V100Z",
			"100 mA", "Current over the last 10 min: 100 mA to 100 mA",
		},
		{
			"silence since is a gap", drawn(11*time.Second, mA(100)),
			"M234 4h2", "M234 100L234 4h2V100Z",
			"100 mA", "Current over the last 10 min: 100 mA to 100 mA, with gaps",
		},
		{
			"next to nothing stays low", drawn(0, unit.Some(10*unit.Microampere)),
			"M238 100h2", "M238 100L238 100h2V100Z",
			"1.00 mA", "Current over the last 10 min: 0.01 mA to 0.01 mA",
		},
		{
			"below zero lies on the floor", drawn(0, mA(-5), mA(10)),
			"M236 100L238 4h2", "M236 100L236 100L238 4h2V100Z",
			"10.00 mA", "Current over the last 10 min: -5.00 mA to 10.00 mA",
		},
	} {
		want := Sparkline{Line: tc.line, Area: tc.area, Width: 240, Top: tc.top, Text: tc.text}
		if diff := cmp.Diff(want, tc.got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tc.name, diff)
		}
	}
}

// What slid out of the box on the left is not drawn; of a longer shape all is.
func TestSparklineEdges(t *testing.T) {
	if got := drawn(10*time.Minute, mA(100)); got.Line != "" {
		t.Errorf("a reading of ten minutes ago is drawn: %+v", got)
	}
	all := make([]unit.Maybe[unit.Current], 120)
	for i := range all {
		all[i] = mA(100)
	}
	if got := drawn(595*time.Second, all...); got.Line != "M0 4h2" {
		t.Errorf("the last reading within the box: %q", got.Line)
	}
	if got := drawn(0, append(all, all...)...); got.Width != 480 {
		t.Errorf("240 steps are %d wide, want 480", got.Width)
	}
}

func TestNothingToDraw(t *testing.T) {
	for name, got := range map[string]Sparkline{
		"never a reading": drawn(0), "only gaps": drawn(0, gap, gap), "no shape": sparkline(&bench.Snapshot{At: night}),
	} {
		if got != (Sparkline{}) {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// The current that is shown is never beyond the upper edge of the drawing, though
// its step is not drawn yet. The edge is round, so it does not move with each
// reading: the words speak of what is drawn.
func TestSparklineHoldsTheLastReading(t *testing.T) {
	s := bench.Snapshot{At: night, Reading: bench.ReadingView{At: night, Amps: mA(500)}}
	s.Shape = bench.Shape{Step: 5 * time.Second, Until: night, Amps: []unit.Maybe[unit.Current]{mA(100), mA(250)}}
	got := sparkline(&s)
	if got.Top != "500 mA" || got.Text != "Current over the last 10 min: 100 mA to 250 mA" || got.Line != "M236 81L238 52h2" {
		t.Errorf("%q, %q, %q", got.Top, got.Text, got.Line)
	}
	s.Reading.Amps = mA(410)
	if again := sparkline(&s); again != got {
		t.Errorf("another reading below the edge draws %+v, want %+v", again, got)
	}
	s.SupplyLost = ago(time.Minute)
	if got := sparkline(&s); got.Top != "250 mA" {
		t.Errorf("with old readings: %q", got.Top)
	}
}
