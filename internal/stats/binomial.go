package stats

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Interval is the range between two limits.
type Interval struct{ Low, High float64 }

// Contains reports that x lies within the limits.
func (i Interval) Contains(x float64) bool { return i.Low <= x && x <= i.High }

// ClopperPearson gives exact two-sided limits, at the confidence (0.95), of the
// chance behind k successes in n trials, 0 <= k <= n, n > 0: the limits cover it
// at least that often. With a = 1 - confidence they are the quantiles a/2 of
// Beta(k, n-k+1) and 1-a/2 of Beta(k+1, n-k). For a one-sided limit at 95 % ask
// for 0.90. Source: Clopper and Pearson (1934), Biometrika 26, 404-413.
func ClopperPearson(k, n int, confidence float64) Interval {
	if n <= 0 || k < 0 || k > n {
		return Interval{math.NaN(), math.NaN()}
	}
	a := 1 - confidence
	out := Interval{0, 1}
	if k > 0 {
		out.Low = distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile(a / 2)
	}
	if k < n {
		out.High = distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile(1 - a/2)
	}
	return out
}

// Wilson gives the score limits of the same: shorter than the exact ones, right
// on average over chances and not for each. Source: Newcombe (1998), Statistics
// in Medicine 17, 857-872, method 3.
func Wilson(k, n int, confidence float64) Interval {
	if n <= 0 || k < 0 || k > n {
		return Interval{math.NaN(), math.NaN()}
	}
	z := normalQuantile(confidence)
	m, p := float64(n), float64(k)/float64(n)
	mid := p + z*z/(2*m)
	half := z * math.Sqrt(p*(1-p)/m+z*z/(4*m*m))
	d := 1 + z*z/m
	out := Interval{(mid - half) / d, (mid + half) / d}
	if k == 0 {
		out.Low = 0
	}
	if k == n {
		out.High = 1
	}
	return out
}

// SuccessRun is the lower limit of the chance of success after n successes and
// no failure: R = (1-C)^(1/n), the classical convention, not the one with 1/(n+1)
// that a uniform prior gives. It is the one-sided Clopper-Pearson limit.
func SuccessRun(n int, confidence float64) float64 {
	if n <= 0 {
		return 0
	}
	return math.Pow(1-confidence, 1/float64(n))
}

// SuccessRunLength is how many successes without a failure show a chance of
// success of at least r: log(1-C)/log r, rounded up.
func SuccessRunLength(r, confidence float64) int {
	return int(math.Ceil(math.Log(1-confidence)/math.Log(r) - 1e-9))
}

// RuleOfThree is 3/n, the upper 95 % limit of the chance of what did not happen
// in n trials; within 2.5 % of the exact limit from 60 trials on, always on the
// safe side.
func RuleOfThree(n int) float64 { return 3 / float64(n) }

// normalQuantile is how many standard deviations to either side of the mean hold
// the confidence: 1.96 for 0.95.
func normalQuantile(confidence float64) float64 {
	return distuv.UnitNormal.Quantile(1 - (1-confidence)/2)
}
