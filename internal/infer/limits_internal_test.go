package infer

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"benchvigil/internal/stats"
	"benchvigil/internal/unit"
)

// What the comment on the chart promises: noise as large as the unit, of which
// seconds resemble each other with a correlation of 0.9, is to a sum what
// independent noise larger by √((1+0.9)/(1-0.9)) is, so the chart is one with K
// and H smaller by that; its run length in control is computed exactly.
func TestDriftFalseAlarms(t *testing.T) {
	const correlation = 0.9
	by := math.Sqrt((1 + correlation) / (1 - correlation))
	same := stats.Chart{K: driftChart.K / by, H: driftChart.H / by}
	hours := same.RunLength(0) / 3600
	if hours < 10_000 {
		t.Errorf("a false alarm each %.0f h", hours)
	}
	if got := stats.Chart.RunLength(driftChart, 0); !math.IsInf(got, 1) {
		t.Errorf("independent noise: a false alarm each %.3g s", got)
	}
	t.Logf("a false alarm each %.0f h of noise like that", hours)
}

// The same by trying: 1,000 hours of such noise, in steps of a second, from a
// fixed seed. That the seconds are bounded makes it rarer still.
func TestDriftTried(t *testing.T) {
	x, s, seed := 0.0, driftChart.Start(), uint64(1)
	uniform := func() float64 {
		seed = seed * 48271 % (1<<31 - 1)
		return float64(seed) / (1<<31 - 1)
	}
	for i := range 3_600_000 {
		noise := math.Sqrt(-2*math.Log(uniform())) * math.Cos(2*math.Pi*uniform()) // Box and Muller (1958)
		x = 0.9*x + math.Sqrt(1-0.81)*noise
		if driftChart.Add(&s, min(max(x, -mostUnits), mostUnits)) != stats.Neither {
			t.Fatalf("a false alarm after %d s", i)
		}
	}
}

// A shift of a fifth, four units, is told after 45 s, of 30 % and more after 23.
func TestDriftDelay(t *testing.T) {
	for units, want := range map[float64]int{1.9: 0, 3: 91, 4: 46, 6: 23, 60: 23, -4: 46} {
		s, got := driftChart.Start(), 0
		for i := 1; i <= 1000 && got == 0; i++ {
			if driftChart.Add(&s, min(max(units, -mostUnits), mostUnits)) != stats.Neither {
				got = i
			}
		}
		if got != want {
			t.Errorf("%g units: told after %d s, want %d", units, got, want)
		}
	}
}

func TestResolution(t *testing.T) {
	for _, tc := range []struct {
		levels []unit.Current
		want   unit.Current
	}{
		{[]unit.Current{10_000, 20_000, 20_000}, 10_000},
		{[]unit.Current{12_000, 20_000}, 1000},
		{[]unit.Current{12_300, 20_000}, 0},
	} {
		if got := resolution(tc.levels); got != tc.want {
			t.Errorf("%v: %v, want %v", tc.levels, got, tc.want)
		}
	}
}

// A board's own level comes from its first seconds in whatever order, and noise
// of a tenth of the level never is a drift, while a level that swings is not
// charted at all.
func TestOwnLevel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		level := unit.Current(rapid.IntRange(5_000, 900_000).Draw(t, "level"))
		share := rapid.SampledFrom([]float64{0.001, 0.02, 0.09}).Draw(t, "noise")
		var c currentState
		noise := func() unit.Current { return scale(level, share*rapid.Float64Range(-1, 1).Draw(t, "x")) }
		for range ownSeconds {
			c.learn(level + noise())
		}
		if c.Unit == 0 || c.Level < level-scale(level, share) || c.Level > level+scale(level, share) {
			t.Fatalf("level %v, own %v, unit %v", level, c.Level, c.Unit)
		}
		if x := c.deviation(c.Level); x != 0 {
			t.Fatalf("its own level deviates by %g", x)
		}
	})
	var c currentState
	for i := range ownSeconds {
		c.learn(unit.Current(100_000 + i%3*200_000))
	}
	if c.Unit != 0 {
		t.Errorf("a level that swings is charted in units of %v", c.Unit)
	}
}
