package stats_test

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"benchvigil/internal/stats"
)

// binom_ci.csv: R 4.2.2, binom.test and prop.test(correct = FALSE). The printed
// decimals of every column are correct to 1e-9.
func TestBinomialTable(t *testing.T) {
	for _, r := range table(t, "binom_ci.csv") {
		k, n := int(r.number(t, "k")), int(r.number(t, "n"))
		what := fmt.Sprintf("%d of %d", k, n)
		nearInterval(t, what+" exact", stats.ClopperPearson(k, n, 0.95), r.number(t, "CP_lo"), r.number(t, "CP_hi"), 1e-8)
		nearInterval(t, what+" exact 90 %", stats.ClopperPearson(k, n, 0.90), r.number(t, "CP90_lo"), r.number(t, "CP90_hi"), 1e-8)
		nearInterval(t, what+" score", stats.Wilson(k, n, 0.95), r.number(t, "Wilson_lo"), r.number(t, "Wilson_hi"), 1e-8)
		nearInterval(t, what+" score 90 %", stats.Wilson(k, n, 0.90), r.number(t, "Wilson90_lo"), r.number(t, "Wilson90_hi"), 1e-8)
	}
}

// Newcombe (1998), Statistics in Medicine 17, 857-872, Table I: method 3 (score)
// as printed, method 5 (exact) from memory.
func TestNewcombe(t *testing.T) {
	for _, tc := range []struct {
		k, n         int
		score, exact stats.Interval
	}{
		{81, 263, stats.Interval{Low: .2553, High: .3662}, stats.Interval{Low: .2527, High: .3676}},
		{15, 148, stats.Interval{Low: .0624, High: .1605}, stats.Interval{Low: .0578, High: .1617}},
		{0, 20, stats.Interval{Low: 0, High: .1611}, stats.Interval{Low: 0, High: .1684}},
		{1, 29, stats.Interval{Low: .0061, High: .1718}, stats.Interval{Low: .0009, High: .1776}},
	} {
		what := fmt.Sprintf("%d of %d", tc.k, tc.n)
		nearInterval(t, what+" score", stats.Wilson(tc.k, tc.n, 0.95), tc.score.Low, tc.score.High, 5.1e-5)
		nearInterval(t, what+" exact", stats.ClopperPearson(tc.k, tc.n, 0.95), tc.exact.Low, tc.exact.High, 5.1e-5)
	}
	// NIST/SEMATECH e-Handbook 7.2.4.1, 90 % (from memory).
	nearInterval(t, "4 of 20", stats.ClopperPearson(4, 20, 0.90), .071354, .401029, 1.1e-6)
}

// Success run n = log(1-C)/log R: 22 for 90 % at 90 % and 59 for 95 % at 95 %, as
// quoted everywhere; the others are recomputed.
func TestSuccessRun(t *testing.T) {
	for _, tc := range []struct {
		r, c float64
		n    int
	}{
		{.90, .90, 22},
		{.95, .95, 59},
		{.90, .95, 29},
		{.95, .90, 45},
		{.80, .90, 11},
		{.99, .95, 299},
		{.99, .99, 459},
		{.80, .80, 8},
	} {
		if got := stats.SuccessRunLength(tc.r, tc.c); got != tc.n {
			t.Errorf("R %g at %g: %d, want %d", tc.r, tc.c, got, tc.n)
		}
		if stats.SuccessRun(tc.n, tc.c) < tc.r || stats.SuccessRun(tc.n-1, tc.c) >= tc.r {
			t.Errorf("R %g at %g: %d is not the least", tc.r, tc.c, tc.n)
		}
	}
	near(t, "22 at 90 %", stats.SuccessRun(22, .90), .9006280, 1e-7)
	near(t, "59 at 95 %", stats.SuccessRun(59, .95), .9504924, 1e-7)
	near(t, "2 at 95 %", stats.SuccessRun(2, .95), math.Sqrt(.05), 1e-12)
	near(t, "none", stats.SuccessRun(0, .95), 0, 0)
}

// 1-0.05^(1/n) against 3/n, recomputed.
func TestRuleOfThree(t *testing.T) {
	for n, exact := range map[int]float64{
		10: .258866, 20: .139108, 30: .095034, 59: .049508, 100: .029513, 300: .0099361, 1000: .0029912,
	} {
		near(t, fmt.Sprintf("exact for %d", n), 1-stats.SuccessRun(n, .95), exact, 1e-6)
		three := stats.RuleOfThree(n)
		if three < exact || n >= 59 && three > 1.03*exact {
			t.Errorf("%d: %g is not just above %g", n, three, exact)
		}
	}
}

func TestBinomialRefuses(t *testing.T) {
	for _, kn := range [][2]int{{0, 0}, {-1, 3}, {4, 3}} {
		for _, i := range []stats.Interval{stats.ClopperPearson(kn[0], kn[1], .95), stats.Wilson(kn[0], kn[1], .95)} {
			if !math.IsNaN(i.Low) || !math.IsNaN(i.High) {
				t.Errorf("%d of %d: %+v", kn[0], kn[1], i)
			}
		}
	}
}

// Limits hold k/n, mirror when failures are counted instead, widen with the
// confidence, and the one-sided limit without failures is the success run.
func TestBinomialProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 400).Draw(t, "n")
		k := rapid.IntRange(0, n).Draw(t, "k")
		c := rapid.Float64Range(0.5, 0.99).Draw(t, "confidence")
		for _, f := range []func(int, int, float64) stats.Interval{stats.ClopperPearson, stats.Wilson} {
			i, mirror, wider := f(k, n, c), f(n-k, n, c), f(k, n, c+0.005)
			if !i.Contains(float64(k) / float64(n)) {
				t.Fatalf("%d of %d: %+v", k, n, i)
			}
			if math.Abs(i.Low-(1-mirror.High)) > 1e-7 || math.Abs(i.High-(1-mirror.Low)) > 1e-7 {
				t.Fatalf("%d of %d: %+v, mirrored %+v", k, n, i, mirror)
			}
			if wider.Low > i.Low+1e-9 || wider.High < i.High-1e-9 {
				t.Fatalf("%d of %d: %+v, wider %+v", k, n, i, wider)
			}
		}
		if one := stats.ClopperPearson(n, n, 1-2*(1-c)).Low; c > 0.5 && math.Abs(one-stats.SuccessRun(n, c)) > 1e-7 {
			t.Fatalf("%d of %d at %g: %g", n, n, c, one)
		}
	})
}
