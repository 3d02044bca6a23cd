package stats

import "math"

// Entropy is the uncertainty of a discrete distribution, in bits:
// H = −Σ p·log₂ p (Shannon, Bell Syst. Tech. J. 27 (1948)). The weights need not
// add up to 1. It is NaN when one is negative or not finite, or none is above 0.
func Entropy(weights []float64) float64 {
	var sum, bits float64
	for _, w := range weights {
		if !(w >= 0) {
			return math.NaN()
		}
		sum += w
	}
	if !(sum > 0) || math.IsInf(sum, 1) {
		return math.NaN()
	}
	for _, w := range weights {
		if p := w / sum; p > 0 {
			bits -= p * math.Log2(p)
		}
	}
	return bits
}

// InformationGain is how much a trial is expected to tell about which of some
// hypotheses holds, in bits: what is uncertain about its outcome, less what is
// so even to who knows the answer,
//
//	I = H(outcome) − Σ prior(h)·H(outcome | h)
//
// (MacKay, Information Theory, Inference, and Learning Algorithms, 2003, ch. 8:
// it equals the prior entropy of the hypotheses less the expected posterior
// one). outcomes[h] are the weights of the trial's outcomes if h holds, as many
// for each h. Neither these nor the prior need add up to 1. It is NaN where
// Entropy is, or when the sizes do not fit; a hypothesis of prior 0 is not
// looked at.
func InformationGain(prior []float64, outcomes [][]float64) float64 {
	if len(prior) != len(outcomes) || len(prior) == 0 {
		return math.NaN()
	}
	var sum, known float64
	for _, p := range prior {
		sum += p
	}
	mixed := make([]float64, len(outcomes[0]))
	for h, row := range outcomes {
		p := prior[h] / sum
		if p == 0 {
			continue
		}
		if !(p > 0) || len(row) != len(mixed) {
			return math.NaN()
		}
		var all float64
		for _, w := range row {
			all += w
		}
		for o, w := range row {
			mixed[o] += p * w / all
		}
		known += p * Entropy(row)
	}
	return max(0, Entropy(mixed)-known)
}
