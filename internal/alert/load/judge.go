package load

import (
	"fmt"
	"time"

	"benchvigil/internal/bench"
)

// What the measures mean. A flood begins above ten in ten minutes and ends below
// five: ISA-18.2, as published summaries of it quote the definition; for one
// person, so that several bear more. Three times in a minute is the customary
// beginning of chatter (published guides to ISA-18.2); a day of standing is its
// stale alarm (from memory). It gives no number for fleeting, "a few seconds" in
// guides: ten are ours.
const (
	ChatterRings = 3
	ChatterSpan  = time.Minute
	FleetingSpan = 10 * time.Second
	StaleSpan    = 24 * time.Hour

	floodSpan  = 10 * time.Minute
	floodAbove = 10
	floodBelow = 5
	top        = 10
)

// The targets. Rates, peak, share of floods, share of the ten most frequent and
// no chattering or fleeting are those of the table of metrics in ISA-18.2, as
// published summaries quote it (150 and 300 a day, 6 and 12 an hour, 10 in ten
// minutes, 1 % of the time, 1 % to 5 %, none); fewer than five stale is from
// memory. ISA-18.2 has no time to acknowledge: ten minutes, when a danger goes to
// the next person, are ours.
const (
	isa  = "ISA-18.2"
	ours = "benchvigil"

	acceptable = 6.0 // an hour
	manageable = 12.0
	floodMost  = 0.01
	topMost    = 0.05
	staleMost  = 5
	ackMost    = 10 * time.Minute

	fewPoints = int(top / topMost) // with fewer, ten always make more than the target
	fewRings  = 20                 // with fewer, one is more than a share of 5 %
)

// severityTargets are the shares of high, medium and low priority that ISA-18.2
// and IEC 62682 recommend for what rings (about 5, 15 and 80 %, as published
// summaries quote them).
var severityTargets = map[bench.Severity]float64{bench.Danger: 0.05, bench.Caution: 0.15, bench.Notice: 0.80}

// Verdict says how a measure stands to its target.
type Verdict string

// The verdicts.
const (
	Kept     Verdict = "kept"
	Bearable Verdict = "bearable" // above what is acceptable, below what can be managed
	NotKept  Verdict = "NOT KEPT"
	TooFew   Verdict = "too few to say"
)

// Measure is one figure beside its target.
type Measure struct {
	Name    string  `json:"name"`
	Value   string  `json:"value"`
	Target  string  `json:"target"`
	Source  string  `json:"source"` // of the target
	Verdict Verdict `json:"verdict"`
}

// judge holds the figures against the targets.
func (r *Report) judge() []Measure {
	span := r.To.Sub(r.From)
	peakMost := floodAbove * r.People
	out := []Measure{
		{"rings an hour, each person", fmt.Sprintf("%.1f", r.PerHour), "≤ 6, at most 12", isa, unless(span < time.Hour, between(r.PerHour))},
		{"rings a day, each person", fmt.Sprintf("%.0f", r.PerDay), "≤ 150, at most 300", isa, unless(span < 24*time.Hour, between(r.PerDay*acceptable/150))},
		{"most in ten minutes", fmt.Sprint(r.Peak), fmt.Sprintf("≤ %d", peakMost), isa, kept(r.Peak <= peakMost)},
		{"time in floods", percent(r.InFlood) + floodCount(r.Floods), "< 1 %", isa, kept(r.InFlood < floodMost)},
		{"points that chatter", fmt.Sprint(r.Chatter), "0", isa, kept(r.Chatter == 0)},
		{"over within " + FleetingSpan.String(), fmt.Sprint(r.Fleeting), "0", isa, kept(r.Fleeting == 0)},
		{"standing for a day, at once", fmt.Sprint(r.Stale), fmt.Sprintf("< %d", staleMost), isa, kept(r.Stale < staleMost)},
		{"share of the ten most frequent", percent(r.TopShare), "≤ 5 %", isa, unless(r.Points < fewPoints, kept(r.TopShare <= topMost))},
	}
	for _, w := range r.Severities {
		sign, good := "≤", w.Share <= w.Target
		if w.Severity == bench.Notice {
			sign, good = "≥", w.Share >= w.Target
		}
		out = append(out, Measure{
			"share of " + string(w.Severity), percent(w.Share), fmt.Sprintf("%s %s", sign, percent(w.Target)), isa,
			unless(r.Rings < fewRings, kept(good)),
		})
	}
	p90 := time.Duration(r.AckP90 * float64(time.Second))
	return append(out,
		Measure{
			"acknowledged after, nine of ten", fmt.Sprintf("%s (half: %s; %d never)", length(r.AckP90), length(r.AckMedian), r.Unseen),
			"≤ " + length(ackMost.Seconds()), ours, unless(r.Acked == 0, kept(p90 <= ackMost)),
		})
}

func between(perHour float64) Verdict {
	switch {
	case perHour <= acceptable:
		return Kept
	case perHour <= manageable:
		return Bearable
	}
	return NotKept
}

func kept(good bool) Verdict {
	if good {
		return Kept
	}
	return NotKept
}

func unless(few bool, v Verdict) Verdict {
	if few {
		return TooFew
	}
	return v
}

func percent(share float64) string { return fmt.Sprintf("%.1f %%", 100*share) }

func floodCount(floods []Flood) string {
	switch len(floods) {
	case 0:
		return ""
	case 1:
		return " (1 flood)"
	}
	return fmt.Sprintf(" (%d floods)", len(floods))
}

func length(seconds float64) string {
	return bench.Length(time.Duration(seconds * float64(time.Second)).Round(time.Second))
}
