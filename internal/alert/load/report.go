package load

import (
	"cmp"
	"iter"
	"maps"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
)

// Report is the load of a span of time. Shares are from 0 to 1.
type Report struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	// Younger says that From is when the ledger began, later than was asked.
	Younger bool `json:"younger,omitempty"`
	People  int  `json:"people"` // among whom the load is shared

	Rings     int       `json:"rings"`    // alerts that rang
	PerHour   float64   `json:"per_hour"` // to each person
	PerDay    float64   `json:"per_day"`
	Peak      int       `json:"peak"` // most in ten minutes, to all
	PeakAt    time.Time `json:"peak_at,omitzero"`
	Floods    []Flood   `json:"floods,omitempty"`
	InFlood   float64   `json:"in_flood"`  // share of the time
	Chatter   int       `json:"chatter"`   // points that rang ChatterRings times and more within ChatterSpan
	Fleeting  int       `json:"fleeting"`  // alerts that were over within FleetingSpan
	Stale     int       `json:"stale"`     // most that stood for longer than StaleSpan at one time
	Points    int       `json:"points"`    // at which it rang
	TopShare  float64   `json:"top_share"` // of the ten points that rang most
	Unseen    int       `json:"unseen"`    // rings that nobody acknowledged so far
	Acked     int       `json:"acked"`
	AckMedian float64   `json:"ack_median_s"`
	AckP90    float64   `json:"ack_p90_s"` // nine of ten were acknowledged by then

	Severities []Weight  `json:"severities,omitempty"`
	Frequent   []Source  `json:"frequent,omitempty"` // the ten points that rang most
	Measures   []Measure `json:"measures"`
	Hints      []string  `json:"hints,omitempty"`
}

// Flood is a time in which more rang than people can follow.
type Flood struct {
	From  time.Time `json:"from"`
	To    time.Time `json:"to"` // of the report, where it goes on
	Rings int       `json:"rings"`
}

// Weight is how much of the load is of one severity.
type Weight struct {
	Severity bench.Severity `json:"severity"`
	Rings    int            `json:"rings"`
	Share    float64        `json:"share"`
	Target   float64        `json:"target"`
}

// Source is a point at which it rang.
type Source struct {
	Point    string  `json:"point"`
	Rings    int     `json:"rings"`
	Share    float64 `json:"share"`
	Fleeting int     `json:"fleeting"`
	InMinute int     `json:"in_minute"` // most within ChatterSpan
}

// Of measures the alerts among events, in the order in which they were told; what
// rang from a moment up to now counts. Events from before tell what stands since
// then. The load is shared among people, at least one.
func Of(events iter.Seq[bench.Event], from, now time.Time, people int) Report {
	f := newFollower()
	for e := range events {
		f.take(e)
	}
	rings := f.within(from, now)
	r := Report{From: from, To: now, People: max(1, people), Rings: len(rings)}
	r.rates(rings)
	r.sources(rings)
	r.weights(rings)
	r.waits(rings)
	r.Stale = mostAtOnce(f.stale(now), from, now)
	r.Measures = r.judge()
	r.Hints = hints(&r, rings, f.standing(now))
	return r
}

func (r *Report) rates(rings []*ring) {
	span := r.To.Sub(r.From)
	if span <= 0 {
		return
	}
	each := float64(len(rings)) / float64(r.People)
	r.PerHour, r.PerDay = each/span.Hours(), 24*each/span.Hours()
	times := timesOf(rings)
	r.Peak, r.PeakAt = peak(times, floodSpan)
	r.Floods = floods(times, r.To, floodAbove*r.People, floodBelow*r.People)
	var in time.Duration
	for _, f := range r.Floods {
		in += f.To.Sub(f.From)
	}
	r.InFlood = in.Seconds() / span.Seconds()
}

func timesOf(rings []*ring) []time.Time {
	out := make([]time.Time, len(rings))
	for i, r := range rings {
		out[i] = r.at
	}
	return out
}

// sources counts by point.
func (r *Report) sources(rings []*ring) {
	by := map[bench.AlertPoint][]*ring{}
	for _, x := range rings {
		by[x.point] = append(by[x.point], x)
	}
	r.Points = len(by)
	for _, p := range slices.SortedFunc(maps.Keys(by), func(a, b bench.AlertPoint) int {
		return cmp.Or(len(by[b])-len(by[a]), strings.Compare(a.String(), b.String()))
	}) {
		s := Source{Point: p.String(), Rings: len(by[p]), Share: share(len(by[p]), len(rings)), Fleeting: fleeting(by[p])}
		s.InMinute, _ = peak(timesOf(by[p]), ChatterSpan)
		r.Fleeting += s.Fleeting
		if s.InMinute >= ChatterRings {
			r.Chatter++
		}
		if len(r.Frequent) < top {
			r.Frequent = append(r.Frequent, s)
			r.TopShare += s.Share
		}
	}
	r.TopShare = min(1, r.TopShare) // a sum of shares may be a hair more
}

func fleeting(rings []*ring) (n int) {
	for _, r := range rings {
		if r.short() {
			n++
		}
	}
	return n
}

func (r *Report) weights(rings []*ring) {
	for _, s := range bench.Severities() {
		n := 0
		for _, x := range rings {
			if x.severity == s {
				n++
			}
		}
		r.Severities = append(r.Severities, Weight{s, n, share(n, len(rings)), severityTargets[s]})
	}
}

// waits measures how soon somebody acknowledged.
func (r *Report) waits(rings []*ring) {
	var waits []time.Duration
	for _, x := range rings {
		if x.acked.IsZero() || x.acked.After(r.To) {
			r.Unseen++
			continue
		}
		waits = append(waits, max(0, x.acked.Sub(x.at)))
	}
	r.Acked = len(waits)
	slices.Sort(waits)
	r.AckMedian, r.AckP90 = rank(waits, 50).Seconds(), rank(waits, 90).Seconds()
}

// rank is the nearest-rank percentile of sorted values: the least one that so
// many percent do not exceed.
func rank(sorted []time.Duration, percent int) time.Duration {
	if len(sorted) == 0 {
		return 0
	}
	return sorted[max(0, (len(sorted)*percent+99)/100-1)]
}

func share(n, of int) float64 {
	if of == 0 {
		return 0
	}
	return float64(n) / float64(of)
}
