package stats_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"benchvigil/internal/stats"
)

// Item by item sampling with p1 0.01, p2 0.10, alpha 0.05, beta 0.10: the NIST/
// SEMATECH e-Handbook (6.2.6) accepts below -0.939 + 0.0397 n defects and rejects
// above 1.205 + 0.0397 n (from memory), so 24 good items are the first that are
// accepted and two bad ones the first that are rejected.
func TestWaldItemByItem(t *testing.T) {
	const p0, p1 = 0.01, 0.10
	w := stats.NewWald(0.05, 0.10)
	perDefect := math.Log(p1*(1-p0)) - math.Log(p0*(1-p1))
	near(t, "accept", -w.Lower/perDefect, 0.939, 0.001)
	near(t, "reject", w.Upper/perDefect, 1.205, 0.001)
	near(t, "slope", -stats.BernoulliRatio(0, 1, p0, p1)/perDefect, 0.0397, 0.0001)
	for n := 1; n <= 24; n++ {
		want := stats.Undecided
		if n == 24 {
			want = stats.ForP0
		}
		if got := w.Judge(stats.BernoulliRatio(0, n, p0, p1)); got != want {
			t.Errorf("%d good: %d, want %d", n, got, want)
		}
	}
	if got := w.Judge(stats.BernoulliRatio(2, 2, p0, p1)); got != stats.ForP1 {
		t.Errorf("two bad of two: %d", got)
	}
	if got := w.Judge(stats.BernoulliRatio(1, 1, p0, p1)); got != stats.Undecided {
		t.Errorf("one bad of one: %d", got)
	}
}

// Wald (1945): bounds of A = (1-b)/a = 19 and B = b/(1-a) = 1/19 for a = b = 0.05.
func TestWaldBounds(t *testing.T) {
	w := stats.NewWald(0.05, 0.05)
	near(t, "upper", math.Exp(w.Upper), 19, 1e-9)
	near(t, "lower", math.Exp(w.Lower), 1.0/19, 1e-9)
}

// Ratios of parts add up to the ratio of the whole, and swapping the hypotheses
// turns the sign.
func TestRatios(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.Float64Range(0.01, 10)
		r0, r1 := rate.Draw(t, "r0"), rate.Draw(t, "r1")
		n, m := rapid.IntRange(0, 9).Draw(t, "n"), rapid.IntRange(0, 9).Draw(t, "m")
		a, b := rate.Draw(t, "a"), rate.Draw(t, "b")
		whole := stats.PoissonRatio(n+m, a+b, r0, r1)
		if parts := stats.PoissonRatio(n, a, r0, r1) + stats.PoissonRatio(m, b, r0, r1); math.Abs(whole-parts) > 1e-9*(1+math.Abs(whole)+math.Abs(parts)) {
			t.Fatalf("whole %g, parts %g", whole, parts)
		}
		if back := stats.PoissonRatio(n+m, a+b, r1, r0); math.Abs(whole+back) > 1e-9*(1+math.Abs(whole)) {
			t.Fatalf("%g and back %g", whole, back)
		}
	})
}

// The chance of a wrong decision is close to what was asked for, below a/(1-b):
// 4,000 Poisson processes of each rate, from a fixed seed, in steps of 0.1.
func TestWaldErrors(t *testing.T) {
	const a, b, r0, r1 = 0.05, 0.10, 1.0, 2.0
	w := stats.NewWald(a, b)
	wrong := func(rate float64, verdict stats.Verdict) float64 {
		rnd := newRandom(7)
		n := 0
		for range 4000 {
			ratio := 0.0
			for w.Judge(ratio) == stats.Undecided {
				k := 0
				if rnd() < rate*0.1 {
					k = 1
				}
				ratio += stats.BernoulliRatio(k, 1, r0*0.1, r1*0.1)
			}
			if w.Judge(ratio) == verdict {
				n++
			}
		}
		return float64(n) / 4000
	}
	if got := wrong(r0, stats.ForP1); got > a/(1-b)+0.01 || got < 0.02 {
		t.Errorf("for P1 although P0 holds: %.3f, asked for %g", got, a)
	}
	if got := wrong(r1, stats.ForP0); got > b/(1-a)+0.01 || got < 0.05 {
		t.Errorf("for P0 although P1 holds: %.3f, asked for %g", got, b)
	}
}
