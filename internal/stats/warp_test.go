package stats_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/stats"
)

// apart is the cost of two numbers beside each other.
func apart(a, b []float64) func(i, j int) float64 {
	return func(i, j int) float64 { return math.Abs(a[i] - b[j]) }
}

func given(m [][]float64) func(i, j int) float64 {
	return func(i, j int) float64 { return m[i][j] }
}

func digits(s string) []float64 {
	out := make([]float64, len(s))
	for i, c := range s {
		out[i] = float64(c - '0')
	}
	return out
}

func wave(f func(float64) float64) []float64 {
	out := make([]float64, 100)
	for i := range out {
		out[i] = f(6.28 * float64(i) / 99)
	}
	return out
}

// "tests of dtw" are those of the reference package dtw-python (T. Giorgino; the
// same as for R package dtw), checked there by hand; values marked R were
// computed with an independent recursion in R 4.2.2.
func TestWarpPublished(t *testing.T) {
	a, b := []float64{1, 2, 3}, []float64{2, 3, 4, 5, 6}
	// Rabiner & Juang, Fundamentals of Speech Recognition (1993), exercise 4.7,
	// worked in Giorgino, J. Stat. Softw. 31(7), 2009, §3.9 (costs; with these
	// steps R).
	juang := [][]float64{digits("112233"), digits("111222"), digits("312233"), digits("312112"), digits("321212"), digits("333212")}
	six := [][]float64{digits("111101"), digits("000000"), digits("111101"), digits("111101"), digits("111101"), digits("111101")}
	six[1][4] = .01
	s1, s2 := digits("001210100"), digits("012000000")
	sin, cos := wave(math.Sin), wave(math.Cos)
	for _, c := range []struct {
		name           string
		n, m           int
		cost           func(i, j int) float64
		want, distance float64
	}{
		{"by hand, tests of dtw", 3, 5, apart(a, b), 7, 0.875},
		{"of one length, tests of dtw", 3, 3, apart(a, b[:3]), 2, 2. / 6},
		{"identity, tests of dtw", 4, 4, given([][]float64{{11, 10, 10, 10}, {10, 11, 10, 10}, {10, 10, 11, 10}, {10, 10, 10, 11}}), 72, 9},
		{"two channels, tests of dtw", 6, 6, given(six), 2, 2. / 12},
		{"exercise 4.7, R", 6, 6, given(juang), 13, 13. / 12},
		{"late bumps, R", 9, 9, apart(s1, s2), 2, 2. / 18},
		{"sine and cosine, R", 100, 100, apart(sin, cos), 27.23284692, .1361642346},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := stats.Warp(c.n, c.m, c.n+c.m, c.cost)
			if err != nil {
				t.Fatal(err)
			}
			agree(t, "cost", got.Cost, c.want, 1e-8)
			agree(t, "distance", got.Distance(), c.distance, 1e-9)
		})
	}
	t.Run("path by hand", func(t *testing.T) {
		got, err := stats.Warp(3, 5, 5, apart(a, b))
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff([]stats.Pair{{0, 0}, {1, 0}, {2, 1}, {2, 2}, {2, 3}, {2, 4}}, got.Path); d != "" {
			t.Error(d)
		}
	})
	t.Run("path through two channels", func(t *testing.T) {
		got, err := stats.Warp(6, 6, 6, given(six))
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff([]stats.Pair{{0, 0}, {1, 1}, {1, 2}, {1, 3}, {2, 4}, {3, 4}, {4, 4}, {5, 4}, {5, 5}}, got.Path); d != "" {
			t.Error(d)
		}
	})
}

func TestWarpRefuses(t *testing.T) {
	zero := func(int, int) float64 { return 0 }
	for name, f := range map[string]func() (stats.Alignment, error){
		"nothing":       func() (stats.Alignment, error) { return stats.Warp(0, 3, 9, zero) },
		"band too thin": func() (stats.Alignment, error) { return stats.Warp(3, 6, 2, zero) },
		"no number": func() (stats.Alignment, error) {
			return stats.Warp(1, 1, 0, func(int, int) float64 { return math.NaN() })
		},
		"negative": func() (stats.Alignment, error) { return stats.Warp(1, 1, 0, func(int, int) float64 { return -1 }) },
	} {
		if _, err := f(); !errors.Is(err, stats.ErrSeries) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if !math.IsNaN(stats.Alignment{}.Distance()) {
		t.Error("no alignment has a distance")
	}
}

// The path goes from corner to corner within the band, its cost is what its
// steps cost, it costs the same the other way round, and nothing beside itself.
func TestWarpProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := rapid.SliceOfN(rapid.Float64Range(-9, 9), 1, 30)
		a, b := draw.Draw(t, "a"), draw.Draw(t, "b")
		band := max(len(a)-len(b), len(b)-len(a)) + rapid.IntRange(0, 10).Draw(t, "slack")
		got, err := stats.Warp(len(a), len(b), band, apart(a, b))
		if err != nil {
			t.Fatal(err)
		}
		back, err := stats.Warp(len(b), len(a), band, apart(b, a))
		if err != nil {
			t.Fatal(err)
		}
		agree(t, "the other way round", back.Cost, got.Cost, 1e-9)
		var cost float64
		last := stats.Pair{A: -1, B: -1}
		for _, p := range got.Path {
			da, db := p.A-last.A, p.B-last.B
			if da < 0 || db < 0 || da > 1 || db > 1 || da+db == 0 || max(p.A-p.B, p.B-p.A) > band {
				t.Fatalf("a step from %v to %v, band %d", last, p, band)
			}
			steps := da + db
			if last.A < 0 {
				steps = 1 // the first pair counts once
			}
			cost += float64(steps) * math.Abs(a[p.A]-b[p.B])
			last = p
		}
		if (last != stats.Pair{A: len(a) - 1, B: len(b) - 1}) {
			t.Fatalf("the path ends at %v", last)
		}
		agree(t, "cost", cost, got.Cost, 1e-9)
		self, err := stats.Warp(len(a), len(a), 0, apart(a, a))
		if err != nil {
			t.Fatal(err)
		}
		agree(t, "beside itself", self.Cost, 0, 0)
	})
}

func BenchmarkWarp(b *testing.B) {
	x, y := make([]float64, 600), make([]float64, 600)
	for i := range x {
		x[i], y[i] = math.Sin(float64(i)/50), math.Cos(float64(i)/60)
	}
	for b.Loop() {
		if _, err := stats.Warp(len(x), len(y), 50, apart(x, y)); err != nil {
			b.Fatal(err)
		}
	}
}

func ExampleWarp() {
	here, there := []float64{0, 0, 5, 5}, []float64{0, 5, 5, 5}
	a, err := stats.Warp(len(here), len(there), 2, apart(here, there))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(a.Distance(), a.Path)
	// Output: 0 [{0 0} {1 0} {2 1} {2 2} {3 3}]
}
