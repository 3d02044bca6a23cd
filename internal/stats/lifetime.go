package stats

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// ErrTooFew says that a fit needs more spans that ended than there are.
var ErrTooFew = errors.New("too few spans have ended")

// Exponential is a lifetime with a constant hazard, as estimated.
type Exponential struct {
	Mean  float64 // total time over ended spans; +Inf when none ended
	Total float64 // of all spans
	Ended int
}

// FitExponential is the maximum likelihood estimate: the total time of all spans
// by the number of those that ended.
func FitExponential(spans []Span) Exponential {
	var e Exponential
	for _, s := range spans {
		e.Total += s.Length
		if s.Ended {
			e.Ended++
		}
	}
	e.Mean = e.Total / float64(e.Ended)
	return e
}

// MeanLimits are 2T/χ²(1-a/2; 2r+2) and 2T/χ²(a/2; 2r) for total time T and r ended
// spans, a = 1 - confidence: for watching that ended by the clock. The upper one
// is +Inf when none ended. Source: Nelson (1982), Applied Life Data Analysis.
func (e Exponential) MeanLimits(confidence float64) Interval {
	a := 1 - confidence
	out := Interval{High: math.Inf(1)}
	out.Low = 2 * e.Total / distuv.ChiSquared{K: float64(2*e.Ended + 2)}.Quantile(1-a/2)
	if e.Ended > 0 {
		out.High = 2 * e.Total / distuv.ChiSquared{K: float64(2 * e.Ended)}.Quantile(a/2)
	}
	return out
}

// Weibull is a lifetime with survival exp(-(t/Scale)^Shape), as estimated: a shape
// below 1 is early failures, 1 a constant hazard, above 1 wear, or a timer. The
// covariances are those of (log Scale, log Sigma), Sigma = 1/Shape.
type Weibull struct {
	Shape, Scale              float64
	LogLikelihood             float64
	varScale, covar, varSigma float64
}

// FitWeibull is the maximum likelihood estimate: the shape b solves
//
//	Σ t^b log t / Σ t^b - 1/b = mean of log t over the ended spans
//
// and the scale is (Σ t^b / r)^(1/b). It needs two different ended lengths above
// 0. Covariances by the inverse of the observed information. Source: Nelson
// (1982), chapter 8.
func FitWeibull(spans []Span) (Weibull, error) {
	logs, ended, mean, err := weibullLogs(spans)
	if err != nil {
		return Weibull{}, err
	}
	b := weibullShape(logs, mean)
	s0, _ := powerSums(logs, b)
	top := highest(logs)
	w := Weibull{Shape: b, Scale: math.Exp(top + math.Log(s0/float64(ended))/b)}
	w.LogLikelihood = float64(ended)*(math.Log(b)-b*math.Log(w.Scale)+(b-1)*mean) - float64(ended)
	w.information(logs, ended)
	return w, nil
}

// weibullLogs are the logarithms of all lengths, how many ended, and the mean of
// those.
func weibullLogs(spans []Span) (logs []float64, ended int, mean float64, err error) {
	low, high := math.Inf(1), math.Inf(-1)
	for _, s := range spans {
		if s.Length <= 0 {
			return nil, 0, 0, errors.New("a span has no length")
		}
		l := math.Log(s.Length)
		logs = append(logs, l)
		if s.Ended {
			ended++
			mean += l
			low = min(low, l)
		}
		high = max(high, l)
	}
	if ended < 2 || low == high {
		return nil, 0, 0, ErrTooFew
	}
	return logs, ended, mean / float64(ended), nil
}

// weibullShape finds the root by bisection: the left side grows with b, from
// -Inf to the longest log, which is above the mean.
func weibullShape(logs []float64, mean float64) float64 {
	score := func(b float64) float64 {
		s0, s1 := powerSums(logs, b)
		return highest(logs) + s1/s0 - 1/b - mean
	}
	low, high := 1e-6, 1.0
	for score(high) < 0 && high < 1e9 {
		high *= 2
	}
	for range 200 {
		mid := (low + high) / 2
		if mid == low || mid == high {
			break
		}
		if score(mid) < 0 {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// powerSums are Σ u^b and Σ u^b log u, u being the lengths by the longest, so that
// nothing overflows.
func powerSums(logs []float64, b float64) (s0, s1 float64) {
	top := highest(logs)
	for _, l := range logs {
		p := math.Exp(b * (l - top))
		s0 += p
		s1 += p * (l - top)
	}
	return s0, s1
}

func highest(x []float64) float64 {
	m := math.Inf(-1)
	for _, v := range x {
		m = max(m, v)
	}
	return m
}

// information inverts the observed information of (mu, log sigma), mu = log Scale
// and z = (log t - mu)/sigma:
//
//	[r/σ², Σ z e^z/σ; Σ z e^z/σ, r + Σ z² e^z]
func (w *Weibull) information(logs []float64, ended int) {
	mu, b, r := math.Log(w.Scale), w.Shape, float64(ended)
	var z1, z2 float64
	for _, l := range logs {
		z := (l - mu) * b
		z1 += z * math.Exp(z)
		z2 += z * z * math.Exp(z)
	}
	a, c, d := r*b*b, z1*b, r+z2
	det := a*d - c*c
	w.varScale, w.covar, w.varSigma = d/det, -c/det, a/det
}

// ShapeLimits are limits on the logarithmic scale, where the estimate is closest
// to normal. They are rough below about ten ended spans.
func (w Weibull) ShapeLimits(confidence float64) Interval {
	return around(w.Shape, normalQuantile(confidence)*math.Sqrt(w.varSigma))
}

// ScaleLimits are the same of the scale.
func (w Weibull) ScaleLimits(confidence float64) Interval {
	return around(w.Scale, normalQuantile(confidence)*math.Sqrt(w.varScale))
}

func around(x, logHalf float64) Interval {
	return Interval{x * math.Exp(-logHalf), x * math.Exp(logHalf)}
}

// Survival is the chance to last longer than t.
func (w Weibull) Survival(t float64) float64 { return math.Exp(-math.Pow(t/w.Scale, w.Shape)) }

// SurvivalLimits are limits of Survival(t) by the delta method on z = (log t -
// mu)/sigma, where the chance is exp(-e^z).
func (w Weibull) SurvivalLimits(t, confidence float64) Interval {
	z := math.Log(t/w.Scale) * w.Shape
	v := w.Shape*w.Shape*w.varScale + 2*z*w.Shape*w.covar + z*z*w.varSigma
	half := normalQuantile(confidence) * math.Sqrt(v)
	return Interval{math.Exp(-math.Exp(z + half)), math.Exp(-math.Exp(z - half))}
}

// Quantile is the time by which the share p has ended: Scale (-log(1-p))^(1/Shape).
func (w Weibull) Quantile(p float64) float64 {
	return w.Scale * math.Pow(-math.Log1p(-p), 1/w.Shape)
}

// QuantileLimits are limits of Quantile(p) by the delta method on its logarithm,
// mu + sigma log(-log(1-p)).
func (w Weibull) QuantileLimits(p, confidence float64) Interval {
	y := math.Log(-math.Log1p(-p)) / w.Shape
	v := w.varScale + 2*y*w.covar + y*y*w.varSigma
	return around(w.Quantile(p), normalQuantile(confidence)*math.Sqrt(v))
}
