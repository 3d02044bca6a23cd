package stats

import "math"

// AlikeByChance is how often n waits at random, exponential with whatever
// common mean, are at least as alike as these: all that far from 0 in
// proportion to their mean. For n such waits with sum S and least X, nX/S is
// distributed as Beta(1, n−1) whatever their mean (the normalised spacings
// n·X₍₁₎, (n−1)·(X₍₂₎ − X₍₁₎), … of an exponential sample are independent and
// exponential with the same mean: David & Nagaraja, Order Statistics, §2.5), so
//
//	p = (1 − nX/S)^(n−1)
//
// exactly. The unit of the waits does not matter. It is 1 for fewer than two
// waits, which are alike in any case, and NaN when one is negative or all are 0.
func AlikeByChance(waits []float64) float64 {
	if len(waits) < 2 {
		return 1
	}
	least, sum := math.Inf(1), 0.0
	for _, w := range waits {
		if !(w >= 0) {
			return math.NaN()
		}
		least, sum = min(least, w), sum+w
	}
	n := float64(len(waits))
	return math.Pow(max(0, 1-n*least/sum), n-1)
}

// Rayleigh tests whether times prefer a phase of a period, both in the same
// unit. r is the mean resultant length of the phases taken as directions: 0
// when they are spread out, 1 when all are the same. p is how often n times at
// random reach that r, with R = n·r,
//
//	p = exp(√(1 + 4n + 4(n² − R²)) − (1 + 2n))
//
// (Zar, Biostatistical Analysis, §27.1, after Wilkie, Appl. Stat. 32 (1983),
// 311–312; within 0.002 at the levels from 0.1 to 0.01 for n ≥ 6). Both are NaN without
// times, or when the period is not above 0. The period must not be chosen by
// looking at the same times.
func Rayleigh(times []float64, period float64) (r, p float64) {
	if len(times) == 0 || !(period > 0) {
		return math.NaN(), math.NaN()
	}
	var s, c float64
	for _, t := range times {
		sin, cos := math.Sincos(2 * math.Pi * t / period)
		s, c = s+sin, c+cos
	}
	n, length := float64(len(times)), math.Hypot(s, c)
	p = math.Exp(math.Sqrt(1+4*n+4*max(0, n*n-length*length)) - (1 + 2*n))
	return length / n, min(1, p)
}
