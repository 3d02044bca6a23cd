package stats_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"benchvigil/internal/stats"
)

func floats(t testing.TB, fields ...string) []float64 {
	t.Helper()
	out := make([]float64, len(fields))
	for i, s := range fields {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		out[i] = v
	}
	return out
}

// r, and p by the same formula, computed with R 4.2.2 and package circular.
func TestRayleighPublished(t *testing.T) {
	for _, c := range []struct {
		source string
		times  []float64
		period float64
		r, p   float64
		slackP float64
	}{
		// Zar, Biostatistical Analysis, leaning trees (r .82522, from memory).
		{"trees", []float64{45, 55, 81, 96, 110, 117, 132, 154}, 360, .8252177, .001852, 1e-6},
		// Documentation of astropy.stats.circstats.rayleightest.
		{"astropy", []float64{130, 90, 0, 145}, 360, .5961970, .2546777, 1e-7},
		// Mardia's roulette wheel (from memory).
		{"roulette", []float64{43, 45, 52, 61, 75, 88, 88, 279, 357}, 360, .7109910, .007036, 1e-6},
		// Mardia & Jupp, Directional Statistics, p. 93.
		{"Mardia & Jupp", []float64{55, 60, 65, 95, 100, 110, 260, 275, 285, 295}, 360, .2228717, .6197020, 1e-6},
		// Dataset turtles of R package circular.
		{"turtles", []float64{40, 303, 326, 285, 296, 314, 20, 308, 299, 296}, 360, .8186496, .000390, 1e-6},
		// Fisher, Statistical Analysis of Circular Data (1993), appendix B1: hours
		// of 254 arrivals.
		{"arrivals", columnOf(t, "fisherB1_arrivals.csv", 0), 24, .3163517, 4.93e-12, 1e-14},
		// t = 0.4 + 2.5k + 0.1·sin k, k = 0…49.
		{"train of events", columnOf(t, "events_synthetic.csv", 1), 2.5, .9842419503, 0, 1e-20},
	} {
		r, p := stats.Rayleigh(c.times, c.period)
		agree(t, c.source+" r", r, c.r, 1e-7)
		agree(t, c.source+" p", p, c.p, c.slackP)
	}
}

// Critical values of r: Mardia (1972), as printed in Davis, Statistics and Data
// Analysis in Geology, table A.10.
func TestRayleighCritical(t *testing.T) {
	levels := []float64{.1, .05, .025, .01}
	for _, row := range rowsOf(t, "rayleigh_crit.csv") {
		v := floats(t, row...)
		n := int(v[0])
		if n < 6 {
			continue // where the formula is not good enough
		}
		for i, critical := range v[1:] {
			_, p := stats.Rayleigh(spread(n, critical), 1)
			agree(t, fmt.Sprintf("n %d r %v", n, critical), p, levels[i], .002)
		}
	}
}

// spread makes n phases of a period of 1 with that mean resultant length: pairs
// at an angle to both sides of 0, and one at 0 when n is odd.
func spread(n int, r float64) []float64 {
	single := float64(n % 2)
	angle := math.Acos((r*float64(n)-single)/(float64(n)-single)) / (2 * math.Pi)
	out := make([]float64, 0, n)
	for i := range n - n%2 {
		out = append(out, angle*float64(1-2*(i%2)))
	}
	if single > 0 {
		out = append(out, 0)
	}
	return out
}

// Neither when the period begins nor in what unit it is counted matters.
func TestRayleighProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		times := rapid.SliceOfN(rapid.Float64Range(0, 1000), 1, 30).Draw(t, "times")
		period := rapid.Float64Range(0.5, 50).Draw(t, "period")
		shift, scale := rapid.Float64Range(-100, 100).Draw(t, "shift"), rapid.Float64Range(0.1, 10).Draw(t, "scale")
		moved := make([]float64, len(times))
		for i, x := range times {
			moved[i] = (x + shift) * scale
		}
		r, p := stats.Rayleigh(times, period)
		r2, p2 := stats.Rayleigh(moved, period*scale)
		agree(t, "r", r2, r, 1e-8)
		agree(t, "p", p2, p, 1e-6)
		if !(r >= 0 && r <= 1+1e-12 && p >= 0 && p <= 1) {
			t.Fatalf("r %v, p %v", r, p)
		}
	})
}

// For two waits the formula can be worked out by hand: the smaller share of two
// exponential waits is uniform up to one half. For more it is simulated.
func TestAlikeByChance(t *testing.T) {
	agree(t, "two", stats.AlikeByChance([]float64{3, 7}), .4, 1e-15)
	agree(t, "any unit", stats.AlikeByChance([]float64{3e9, 7e9}), .4, 1e-15)
	agree(t, "equal", stats.AlikeByChance([]float64{180, 180, 180}), 0, 1e-15)
	agree(t, "nearly equal", stats.AlikeByChance([]float64{179, 181, 180}), 1./180/180, 1e-12)
	agree(t, "one", stats.AlikeByChance([]float64{180}), 1, 0)
	for _, bad := range [][]float64{{0, 0}, {-1, 2}, {math.NaN(), 1}} {
		if p := stats.AlikeByChance(bad); !math.IsNaN(p) {
			t.Errorf("%v: %v", bad, p)
		}
	}
	// A p-value is uniform when chance is at work: 20,000 draws of fixed seeds,
	// which lie within three standard errors of it.
	for _, n := range []int{2, 3, 5, 8} {
		rng := rand.New(rand.NewPCG(uint64(n), 4))
		counts := map[float64]int{.01: 0, .1: 0, .5: 0}
		const draws = 20_000
		for range draws {
			waits := make([]float64, n)
			for i := range waits {
				waits[i] = 180 * rng.ExpFloat64()
			}
			p := stats.AlikeByChance(waits)
			for level := range counts {
				if p <= level {
					counts[level]++
				}
			}
		}
		for level, k := range counts {
			agree(t, fmt.Sprintf("%d waits at %v", n, level), float64(k)/draws, level, 3*math.Sqrt(level*(1-level)/draws))
		}
	}
}

func TestRayleighRefuses(t *testing.T) {
	for _, period := range []float64{0, -1, math.NaN()} {
		if r, p := stats.Rayleigh([]float64{1, 2}, period); !math.IsNaN(r) || !math.IsNaN(p) {
			t.Errorf("period %v: %v, %v", period, r, p)
		}
	}
	if r, _ := stats.Rayleigh(nil, 1); !math.IsNaN(r) {
		t.Errorf("no times: %v", r)
	}
}

func ExampleAlikeByChance() {
	minutes := []float64{3.0, 3.1, 2.9}
	fmt.Printf("by chance once in %.0f\n", 1/stats.AlikeByChance(minutes))
	// Output: by chance once in 900
}
