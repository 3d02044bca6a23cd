package load

import (
	"slices"
	"time"

	"benchvigil/internal/bench"
)

// ring is one time that an alert was told anew.
type ring struct {
	at       time.Time
	point    bench.AlertPoint
	severity bench.Severity
	news     bool
	over     bool          // it returned
	stood    time.Duration // until then
	acked    time.Time
}

// short reports an alert that was over almost at once, without anybody's doing.
func (r *ring) short() bool {
	return r.over && r.stood < FleetingSpan && r.acked.IsZero()
}

// stand is a time in which an alert stood, and people were told so.
type stand struct {
	point    bench.AlertPoint
	from, to time.Time
}

// follower makes rings and stands of events.
type follower struct {
	rings []*ring
	last  map[string]*ring // by key of the alert
	now   map[bench.AlertPoint]stand
	past  []stand
}

func newFollower() *follower {
	return &follower{last: map[string]*ring{}, now: map[bench.AlertPoint]stand{}}
}

func (f *follower) take(e bench.Event) {
	v := e.Data.Alert
	if v == nil || !e.Type.IsAlert() {
		return
	}
	f.ring(e, v)
	f.end(e, v)
	f.stand(e, v)
}

// ring enters an alert that is told anew.
func (f *follower) ring(e bench.Event, v *bench.AlertView) {
	switch e.Type {
	case bench.AlertWasRaised, bench.AlertWasUnshelved, bench.AlertWasReleased, bench.AlertWasPutBack:
	default:
		return
	}
	if !v.Rings() || !v.Raised.Equal(v.Changed) {
		return
	}
	r := &ring{at: e.Time, point: v.Point(), severity: v.Severity, news: v.Passing}
	f.rings = append(f.rings, r)
	f.last[v.Key] = r
}

// end enters what became of an alert that rang.
func (f *follower) end(e bench.Event, v *bench.AlertView) {
	r := f.last[v.Key]
	if r == nil {
		return
	}
	if e.Type == bench.AlertWasAcknowledged && r.acked.IsZero() {
		r.acked = e.Time
	}
	if !v.Stands && !v.Passing && !r.over {
		r.over, r.stood = true, max(0, v.Returned.Sub(v.Since))
	}
}

// stand follows what stands, and is neither shelved nor held back.
func (f *follower) stand(e bench.Event, v *bench.AlertView) {
	p := v.Point()
	up := v.Stands && (v.State == bench.AlertUnacknowledged || v.State == bench.AlertAcknowledged)
	s, was := f.now[p]
	if was && !up {
		s.to = e.Time
		f.past = append(f.past, s)
		delete(f.now, p)
	}
	if up && !was {
		f.now[p] = stand{point: p, from: e.Time}
	}
}

// within are the rings of a span, by time.
func (f *follower) within(from, to time.Time) (out []*ring) {
	for _, r := range f.rings {
		if !r.at.Before(from) && !r.at.After(to) {
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, func(a, b *ring) int { return a.at.Compare(b.at) })
	return out
}

// standing are the stands that go on.
func (f *follower) standing(now time.Time) (out []stand) {
	for _, s := range f.now {
		s.to = now
		out = append(out, s)
	}
	return out
}

// stale are the times in which a stand was stale.
func (f *follower) stale(now time.Time) (out []stand) {
	for _, s := range slices.Concat(f.past, f.standing(now)) {
		s.from = s.from.Add(StaleSpan)
		if s.from.Before(s.to) {
			out = append(out, s)
		}
	}
	return out
}
