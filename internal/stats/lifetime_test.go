package stats_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"benchvigil/internal/stats"
)

func weibull(t testing.TB, s []stats.Span) stats.Weibull {
	t.Helper()
	w, err := stats.FitWeibull(s)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// NIST/SEMATECH e-Handbook 8.4.1: shape 1.7208, scale 606.5280. The exact root is
// 1.720797261 and 606.527558, so the printed scale holds to 1e-3 only. Limits, log
// likelihood and the rest: R 4.2.2, survreg.
func TestWeibullHandbook(t *testing.T) {
	s := spans(t, "nist_weibull.csv", "time", "", "")
	w := weibull(t, s)
	near(t, "shape as printed", w.Shape, 1.7208, 1e-4)
	near(t, "scale as printed", w.Scale, 606.5280, 1e-3)
	near(t, "shape", w.Shape, 1.720797261, 1e-8)
	near(t, "scale", w.Scale, 606.527558, 1e-5)
	near(t, "log likelihood", w.LogLikelihood, -75.13461816, 1e-7)
	nearInterval(t, "shape", w.ShapeLimits(0.95), .9712661, 3.0487456, 1e-5)
	nearInterval(t, "scale", w.ScaleLimits(0.95), 405.0893, 908.1348, 1e-3)
	near(t, "survival to 300", w.Survival(300), .7424614, 1e-7)
	near(t, "a tenth gone", w.Quantile(0.1), 164.0224, 1e-4)
	near(t, "median", w.Quantile(0.5), 490.1738, 1e-4)
	failed := weibull(t, s[:10])
	near(t, "shape of the failures alone", failed.Shape, 3.05966, 1e-5)
	near(t, "scale of the failures alone", failed.Scale, 308.5296, 1e-4)
	e := stats.FitExponential(s)
	near(t, "total", e.Total, 7771, 0)
	near(t, "mean", e.Mean, 777.1, 1e-9)
	nearInterval(t, "mean, 90 %", e.MeanLimits(.90), 458.1358, 1432.3353, 1e-4)
	nearInterval(t, "mean, 95 %", e.MeanLimits(.95), 422.5584, 1620.5151, 1e-4)
}

// Diesel fans, Nelson (1982), p. 318, as in SAS/QC, PROC RELIABILITY: shape
// 1.0584, scale 26.2968 thousand hours; more digits and limits by survreg.
// Nelson's exponential mean is 28,700 hours (from memory).
func TestWeibullFans(t *testing.T) {
	s := spans(t, "fan_life.csv", "hours", "", "")
	if len(s) != 70 {
		t.Fatalf("%d fans", len(s))
	}
	for i := range s {
		s[i].Length /= 1000
	}
	w := weibull(t, s)
	near(t, "shape as printed", w.Shape, 1.0584, 5.1e-5)
	near(t, "scale as printed", w.Scale, 26.2968, 5.1e-5)
	near(t, "shape", w.Shape, 1.058446, 1e-6)
	near(t, "scale", w.Scale, 26.296845, 1e-5)
	near(t, "log likelihood", w.LogLikelihood, -52.259657, 1e-6)
	nearInterval(t, "shape", w.ShapeLimits(0.95), .644082, 1.739386, 1e-5)
	nearInterval(t, "scale", w.ScaleLimits(0.95), 10.552069, 65.534448, 1e-3)
	near(t, "mean", stats.FitExponential(s).Mean, 28.703333, 1e-6)
}

// 6-MP, Freireich et al. (1963); fits by survreg.
func TestWeibull6MP(t *testing.T) {
	for _, tc := range []struct {
		arm                            string
		shape, scale, likelihood, mean float64
	}{
		{"6-MP", 1.3537345, 33.765151, -41.658678, 39.888889},
		{"placebo", 1.3704999, 9.4821413, -64.920108, 8.6666667},
	} {
		s := spans(t, "6mp.csv", "time", "arm", tc.arm)
		w := weibull(t, s)
		near(t, tc.arm+" shape", w.Shape, tc.shape, 1e-6)
		near(t, tc.arm+" scale", w.Scale, tc.scale, 1e-5)
		near(t, tc.arm+" log likelihood", w.LogLikelihood, tc.likelihood, 1e-6)
		near(t, tc.arm+" mean", stats.FitExponential(s).Mean, tc.mean, 1e-6)
	}
}

func TestFitsRefuse(t *testing.T) {
	for name, s := range map[string][]stats.Span{
		"nothing":         nil,
		"one end":         {{Length: 1, Ended: true}, {Length: 2}},
		"all alike":       {{Length: 2, Ended: true}, {Length: 2, Ended: true}},
		"none has lasted": {{Length: 2}, {Length: 3}},
	} {
		if _, err := stats.FitWeibull(s); !errors.Is(err, stats.ErrTooFew) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := stats.FitWeibull([]stats.Span{{Length: 0, Ended: true}, {Length: 2, Ended: true}}); err == nil || errors.Is(err, stats.ErrTooFew) {
		t.Errorf("no length: %v", err)
	}
	e := stats.FitExponential([]stats.Span{{Length: 2}, {Length: 3}})
	if l := e.MeanLimits(.95); !math.IsInf(l.High, 1) || !math.IsInf(e.Mean, 1) {
		t.Errorf("none ended: mean %g, %+v", e.Mean, l)
	} else {
		// 5/θ events are expected and none came: exp(-5/θ) = 0.025 at the limit.
		near(t, "none ended, low", l.Low, -5/math.Log(.025), 1e-6)
	}
}

// Another unit of time scales the scale and its limits and leaves the shape;
// survival lies within its limits; the median is where half have ended.
func TestWeibullProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := genSpans(t, true)
		w, err := stats.FitWeibull(s)
		if err != nil {
			return
		}
		by := rapid.SampledFrom([]float64{1e-3, 60, 3600}).Draw(t, "by")
		scaled := make([]stats.Span, len(s))
		for i, x := range s {
			scaled[i] = stats.Span{Length: x.Length * by, Ended: x.Ended}
		}
		v, err := stats.FitWeibull(scaled)
		if err != nil {
			t.Fatal(err)
		}
		alike := func(what string, a, b float64) {
			if math.Abs(a-b) > 1e-5*math.Abs(a) {
				t.Fatalf("%s: %g and %g", what, a, b)
			}
		}
		alike("shape", w.Shape, v.Shape)
		alike("scale", w.Scale*by, v.Scale)
		alike("limit of the scale", w.ScaleLimits(.9).Low*by, v.ScaleLimits(.9).Low)
		alike("half", 0.5, w.Survival(w.Quantile(0.5)))
		at := rapid.Float64Range(0.1, 50).Draw(t, "at")
		if p := w.Survival(at); !w.SurvivalLimits(at, .9).Contains(p) {
			t.Fatalf("at %g: %g outside %+v", at, p, w.SurvivalLimits(at, .9))
		}
	})
}
