package stats

import "math"

// Wald is a sequential probability ratio test of one hypothesis against
// another: the log likelihood ratio log(P1/P0) of what was seen is summed until
// it leaves the bounds.
type Wald struct{ Lower, Upper float64 }

// NewWald returns the test with the bounds log(b/(1-a)) and log((1-b)/a), where
// a is the chance to decide for P1 although P0 holds, and b the other way round.
// For every a and b in (0, 0.5) the true chances are at most a/(1-b) and
// b/(1-a). Source: Wald (1945), Annals of Mathematical Statistics 16, 117-186.
func NewWald(a, b float64) Wald {
	return Wald{Lower: math.Log(b / (1 - a)), Upper: math.Log((1 - b) / a)}
}

// Verdict is what a sequential test says so far.
type Verdict int8

// The verdicts.
const (
	Undecided Verdict = 0
	ForP1     Verdict = 1
	ForP0     Verdict = -1
)

// Judge decides by the log likelihood ratio up to now.
func (w Wald) Judge(ratio float64) Verdict {
	switch {
	case ratio >= w.Upper:
		return ForP1
	case ratio <= w.Lower:
		return ForP0
	}
	return Undecided
}

// PoissonRatio is the log likelihood ratio of n events within time t, rate r1
// against r0: n log(r1/r0) - (r1-r0) t. With n = 1 it is that of one exponential
// waiting time that has ended, with n = 0 of one that goes on.
func PoissonRatio(n int, t, r0, r1 float64) float64 {
	return float64(n)*math.Log(r1/r0) - (r1-r0)*t
}

// BernoulliRatio is the log likelihood ratio of k successes in n trials, p1
// against p0.
func BernoulliRatio(k, n int, p0, p1 float64) float64 {
	return float64(k)*math.Log(p1/p0) + float64(n-k)*math.Log((1-p1)/(1-p0))
}
