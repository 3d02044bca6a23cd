package learn_test

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"benchvigil/internal/learn"
)

func TestPercentile(t *testing.T) {
	// NIST/SEMATECH e-Handbook section 7.2.6.2, twelve silicon wafers. The
	// 90th percentile is 95.1957 by type 7 and 95.1981 by the handbook's own
	// (n+1)p: the test suites of several statistics libraries print both.
	wafers := []float64{
		95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610, 95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682,
	}
	for _, tc := range []struct {
		name   string
		values []float64
		p      float64
		want   float64
		within float64
	}{
		{"wafers", wafers, 0.9, 95.1957, 5e-5},
		// The worked example of a spreadsheet's manual, PERCENTILE.INC.
		{"1 2 3 4", []float64{1, 3, 2, 4}, 0.3, 1.9, 1e-12},
		// CPython's test of statistics.quantiles, method "inclusive": computed
		// by hand there and compared with a spreadsheet and SciPy.
		{"10 %", []float64{100, 200, 400, 800}, 0.1, 130, 1e-9},
		{"70 %", []float64{100, 200, 400, 800}, 0.7, 440, 1e-9},
		{"90 %", []float64{100, 200, 400, 800}, 0.9, 680, 1e-9},
		{"one value", []float64{7}, 0.95, 7, 0},
		{"median of two", []float64{3, 5}, 0.5, 4, 0},
		{"least", wafers, 0, 95.0610, 0},
		{"most", wafers, 1, 95.1990, 0},
	} {
		sorted := slices.Sorted(slices.Values(tc.values))
		if got := learn.Percentile(sorted, tc.p); math.Abs(got-tc.want) > tc.within {
			t.Errorf("%s: %v, want %v", tc.name, got, tc.want)
		}
	}
}

func TestPercentileProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(-1e6, 1e6), 1, 50).Draw(t, "values")
		slices.Sort(v)
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		q := rapid.Float64Range(p, 1).Draw(t, "q")
		a, b := learn.Percentile(v, p), learn.Percentile(v, q)
		const rounding = 1e-6
		if a < v[0] || b > v[len(v)-1]+rounding || a > b+rounding {
			t.Fatalf("%v at %v and %v at %v of %v", a, p, b, q, v)
		}
	})
}
