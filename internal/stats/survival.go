package stats

import (
	"cmp"
	"math"
	"slices"
)

// Span is one length of time, of one unit of the caller's. Ended says that what
// was waited for came at its end; otherwise it is right-censored: it lasted at
// least so long.
type Span struct {
	Length float64
	Ended  bool
}

// Step is one fall of a survival curve.
type Step struct {
	Time      float64
	AtRisk    int // spans that lasted up to Time, those censored at it included
	Ended     int // spans that ended at it
	Survival  float64
	Greenwood float64 // sum of d/(n(n-d)) up to here; not finite once Survival is 0
}

// Curve is the Kaplan-Meier estimate of how long spans last.
type Curve struct {
	Steps []Step // at the times at which spans ended, ascending
	Last  float64
}

// KaplanMeier estimates the survival S(t) = ∏ (1 - d/n) over the times up to t at
// which d of n spans at risk ended. A span that is censored when another ends is
// still at risk then. Source: Kaplan and Meier (1958), JASA 53, 457-481.
func KaplanMeier(spans []Span) Curve {
	sorted := slices.Clone(spans)
	slices.SortFunc(sorted, func(a, b Span) int { return cmp.Compare(a.Length, b.Length) })
	var c Curve
	s, g := 1.0, 0.0
	for i := 0; i < len(sorted); {
		t, n, d := sorted[i].Length, len(sorted)-i, 0
		for ; i < len(sorted) && sorted[i].Length == t; i++ {
			if sorted[i].Ended {
				d++
			}
		}
		c.Last = t
		if d == 0 {
			continue
		}
		s *= 1 - float64(d)/float64(n)
		g += float64(d) / (float64(n) * float64(n-d))
		c.Steps = append(c.Steps, Step{Time: t, AtRisk: n, Ended: d, Survival: s, Greenwood: g})
	}
	return c
}

// at is the step in force at time t.
func (c Curve) at(t float64) Step {
	in := Step{Survival: 1}
	for _, s := range c.Steps {
		if s.Time > t {
			break
		}
		in = s
	}
	return in
}

// At is the chance to last longer than t. Beyond the last span nothing is known,
// unless all had ended: NaN.
func (c Curve) At(t float64) float64 {
	s := c.at(t).Survival
	if t > c.Last && s > 0 {
		return math.NaN()
	}
	return s
}

// StandardError is Greenwood's: S(t) √(Σ d/(n(n-d))).
func (c Curve) StandardError(t float64) float64 {
	s := c.at(t)
	return s.Survival * math.Sqrt(s.Greenwood)
}

// Limits are the log-log limits of At(t), which stay within 0 and 1:
//
//	S^exp(±z √Σ / log S), Σ Greenwood's sum
//
// Before the first end, and once S is 0, they are not defined: NaN. Source:
// Kalbfleisch and Prentice (1980).
func (c Curve) Limits(t, confidence float64) Interval { return c.at(t).limits(confidence) }

func (s Step) limits(confidence float64) Interval {
	if s.Survival == 0 || s.Survival == 1 {
		return Interval{math.NaN(), math.NaN()}
	}
	l := math.Log(s.Survival)
	by := math.Exp(normalQuantile(confidence) * math.Sqrt(s.Greenwood) / -l)
	return Interval{math.Exp(l * by), math.Exp(l / by)}
}

// Median is the first time at which half of the spans have ended.
func (c Curve) Median() float64 { return c.Quantile(0.5) }

// Quantile is the first time at which the share p of the spans has ended, +Inf
// when the curve never falls so low. Where it stands at exactly 1-p for a while,
// it is the middle of that while.
func (c Curve) Quantile(p float64) float64 {
	const near = 1e-9
	for i, s := range c.Steps {
		switch {
		case s.Survival > 1-p+near:
			continue
		case s.Survival > 1-p-near && i+1 < len(c.Steps):
			return (s.Time + c.Steps[i+1].Time) / 2
		}
		return s.Time
	}
	return math.Inf(1)
}

// MedianLimits are the times at which the lower and the upper log-log limit of
// the curve first fall to a half (Brookmeyer and Crowley 1982); +Inf where one
// never does.
func (c Curve) MedianLimits(confidence float64) Interval {
	out := Interval{math.Inf(1), math.Inf(1)}
	for _, s := range slices.Backward(c.Steps) {
		l := s.limits(confidence)
		if s.Survival == 0 {
			continue
		}
		if l.Low <= 0.5 {
			out.Low = s.Time
		}
		if l.High <= 0.5 {
			out.High = s.Time
		}
	}
	return out
}

// RestrictedMean is the mean of min(length, tau), the area under the curve up to
// tau, and its standard error √(Σ A(t)² d/(n(n-d))), A(t) being the area from t to
// tau. An end that leaves nobody at risk adds nothing to it. Source: Klein and
// Moeschberger (2003), section 4.5.
func (c Curve) RestrictedMean(tau float64) (mean, se float64) {
	area, end, v := 0.0, tau, 0.0
	for _, s := range slices.Backward(c.Steps) {
		if s.Time >= tau {
			continue
		}
		area += s.Survival * (end - s.Time)
		end = s.Time
		if s.AtRisk > s.Ended {
			v += area * area * float64(s.Ended) / (float64(s.AtRisk) * float64(s.AtRisk-s.Ended))
		}
	}
	return area + end, math.Sqrt(v)
}
