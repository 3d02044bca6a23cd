package stats_test

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"benchvigil/internal/stats"
)

// 6-MP remission times, Freireich et al. (1963), Blood 21, 699-716. Survival to 4
// decimals: Cox and Oakes (1984), Table 4.1; standard errors to 3: Klein and
// Moeschberger (2003), Table 4.1B.
func TestKaplanMeier6MP(t *testing.T) {
	c := stats.KaplanMeier(spans(t, "6mp.csv", "time", "arm", "6-MP"))
	want := []struct {
		at            float64
		risk, ended   int
		survival, se  float64
		greenwoodSums float64
	}{
		{6, 21, 3, .8571, .076, .0079365079},
		{7, 17, 1, .8067, .087, .0116129785},
		{10, 15, 1, .7529, .096, .0163748833},
		{13, 12, 1, .6902, .107, .0239506409},
		{16, 11, 1, .6275, .114, .0330415500},
		{22, 7, 1, .5378, .128, .0568510738},
		{23, 6, 1, .4482, .135, .0901844071},
	}
	if len(c.Steps) != len(want) {
		t.Fatalf("%d steps, want %d: %+v", len(c.Steps), len(want), c.Steps)
	}
	for i, w := range want {
		s := c.Steps[i]
		if s.Time != w.at || s.AtRisk != w.risk || s.Ended != w.ended {
			t.Errorf("step %d: %+v, want %+v", i, s, w)
		}
		what := fmt.Sprintf("at %g", w.at)
		near(t, what, c.At(w.at), w.survival, 5.1e-5)
		near(t, what+" standard error", c.StandardError(w.at), w.se, 5.1e-4)
		near(t, what+" Greenwood", s.Greenwood, w.greenwoodSums, 1e-10)
	}
}

// Both arms with log-log limits: R 4.2.2, survival 3.5-3, survfit(conf.type =
// "log-log").
func TestKaplanMeierLimits(t *testing.T) {
	n := 0
	for _, r := range table(t, "6mp_km.csv") {
		if r["conf.type"] != "log-log" {
			continue
		}
		n++
		c := stats.KaplanMeier(spans(t, "6mp.csv", "time", "arm", r["arm"]))
		at := r.number(t, "time")
		what := r["arm"] + " at " + r["time"]
		near(t, what, c.At(at), r.number(t, "surv"), 1e-12)
		near(t, what+" standard error", c.StandardError(at), r.number(t, "std.err"), 1e-12)
		nearInterval(t, what, c.Limits(at, 0.95), r.number(t, "lower"), r.number(t, "upper"), 1e-9)
	}
	if n != 28 {
		t.Errorf("%d lines looked at", n)
	}
}

// Medians and restricted means by the same.
func TestMedianAndMean(t *testing.T) {
	c := stats.KaplanMeier(spans(t, "6mp.csv", "time", "arm", "6-MP"))
	none := math.Inf(1)
	near(t, "median", c.Median(), 23, 0)
	nearInterval(t, "median limits", c.MedianLimits(0.95), 13, none, 0)
	near(t, "first quartile", c.Quantile(.25), 13, 0)
	near(t, "third quartile", c.Quantile(.75), none, 0)
	for tau, want := range map[float64][2]float64{
		35: {23.287395, 2.827468}, 30: {21.046499, 2.243802}, 23: {17.909244, 1.553190}, 20: {16.116527, 1.251560},
	} {
		mean, se := c.RestrictedMean(tau)
		near(t, fmt.Sprintf("mean to %g", tau), mean, want[0], 1e-6)
		near(t, fmt.Sprintf("its standard error to %g", tau), se, want[1], 1e-6)
	}
	p := stats.KaplanMeier(spans(t, "6mp.csv", "time", "arm", "placebo"))
	near(t, "placebo median", p.Median(), 8, 0)
	nearInterval(t, "placebo median limits", p.MedianLimits(0.95), 4, 11, 0)
	mean, se := p.RestrictedMean(23)
	near(t, "placebo mean", mean, 8.6666667, 1e-7)
	near(t, "placebo mean's standard error", se, 1.377390, 1e-6)
}

// Bewick et al. (2004), Critical Care 8, 389, Table 2.
func TestKaplanMeierBewick(t *testing.T) {
	c := stats.KaplanMeier([]stats.Span{
		{Length: 1, Ended: true},
		{Length: 1, Ended: true},
		{Length: 4, Ended: true},
		{Length: 5, Ended: true},
		{Length: 6},
		{Length: 9, Ended: true},
		{Length: 9},
		{Length: 22, Ended: true},
	})
	for at, want := range map[float64]float64{0.5: 1, 1: .750, 3: .750, 4: .625, 5: .500, 8: .5, 9: .333, 21: .333, 22: 0, 30: 0} {
		near(t, fmt.Sprintf("at %g", at), c.At(at), want, 5e-4)
	}
	if s := c.Steps[3]; s.AtRisk != 3 || s.Time != 9 {
		t.Errorf("at 9: %+v, want 3 at risk", s)
	}
}

func TestKaplanMeierEdges(t *testing.T) {
	none := stats.KaplanMeier(nil)
	near(t, "nothing known", none.At(1), math.NaN(), 0)
	near(t, "nothing known yet", none.At(0), 1, 0)
	open := stats.KaplanMeier([]stats.Span{{Length: 5}, {Length: 7}})
	near(t, "all go on", open.At(7), 1, 0)
	near(t, "beyond all", open.At(7.1), math.NaN(), 0)
	near(t, "median", open.Median(), math.Inf(1), 0)
	nearInterval(t, "limits before the first end", open.Limits(6, .95), math.NaN(), math.NaN(), 0)
	even := stats.KaplanMeier([]stats.Span{{Length: 2, Ended: true}, {Length: 4, Ended: true}})
	near(t, "half way", even.Median(), 3, 0)
}

func genSpans(t *rapid.T, censored bool) []stats.Span {
	out := make([]stats.Span, rapid.IntRange(1, 30).Draw(t, "n"))
	for i := range out {
		out[i] = stats.Span{Length: float64(rapid.IntRange(1, 40).Draw(t, "length")), Ended: true}
		if censored {
			out[i].Ended = rapid.Bool().Draw(t, "ended")
		}
	}
	return out
}

// Without censoring the curve is the share that lasted longer, Greenwood's error
// is that of a proportion, and the mean is the mean.
func TestKaplanMeierWithoutCensoring(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := genSpans(t, false)
		c, n := stats.KaplanMeier(s), float64(len(s))
		sum := 0.0
		for _, x := range s {
			sum += x.Length
			longer := 0.0
			for _, y := range s {
				if y.Length > x.Length {
					longer++
				}
			}
			p := longer / n
			if got := c.At(x.Length); math.Abs(got-p) > 1e-9 {
				t.Fatalf("at %g: %g, want %g", x.Length, got, p)
			}
			if got := c.StandardError(x.Length); p > 0 && math.Abs(got-math.Sqrt(p*(1-p)/n)) > 1e-9 {
				t.Fatalf("at %g: error %g, want %g", x.Length, got, math.Sqrt(p*(1-p)/n))
			}
		}
		if mean, _ := c.RestrictedMean(100); math.Abs(mean-sum/n) > 1e-9 {
			t.Fatalf("mean %g, want %g", mean, sum/n)
		}
	})
}

// The curve falls, within its limits, and a span that goes on instead of ending
// never makes it fall lower.
func TestKaplanMeierCensoring(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := genSpans(t, true)
		c := stats.KaplanMeier(s)
		last := 1.0
		for _, st := range c.Steps {
			if st.Survival > last || st.Survival < 0 {
				t.Fatalf("%+v", c.Steps)
			}
			last = st.Survival
			if l := c.Limits(st.Time, 0.9); st.Survival > 0 && !l.Contains(st.Survival) {
				t.Fatalf("at %g: %g outside %+v", st.Time, st.Survival, l)
			}
		}
		i := rapid.IntRange(0, len(s)-1).Draw(t, "i")
		s[i].Ended = false
		open := stats.KaplanMeier(s)
		for _, st := range c.Steps {
			if got := open.At(st.Time); got < st.Survival-1e-9 {
				t.Fatalf("at %g: %g with one that goes on, %g without", st.Time, got, st.Survival)
			}
		}
	})
}

// How long runs last when two of five still go on.
func ExampleKaplanMeier() {
	c := stats.KaplanMeier([]stats.Span{
		{Length: 60, Ended: true}, {Length: 180, Ended: true}, {Length: 200}, {Length: 240, Ended: true}, {Length: 300},
	})
	fmt.Printf("longer than 210 s: %.2f, median %.0f s\n", c.At(210), c.Median())
	// Output: longer than 210 s: 0.60, median 240 s
}
