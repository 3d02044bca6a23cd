package learn

import "math"

// Percentile is the p-quantile (p from 0 to 1) of values sorted in ascending
// order: linear between order statistics, the h-th of them for h = (n-1)p + 1.
// That is type 7 of Hyndman and Fan, "Sample Quantiles in Statistical
// Packages", The American Statistician 50 (1996) 361–365, the default of R.
func Percentile(sorted []float64, p float64) float64 {
	h := float64(len(sorted)-1) * p
	i := int(math.Floor(h))
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (h-float64(i))*(sorted[i+1]-sorted[i])
}
