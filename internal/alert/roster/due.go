package roster

import (
	"hash/fnv"
	"strconv"
	"strings"
	"time"

	"benchvigil/internal/alert"
	"benchvigil/internal/bench"
)

// Delivery is a message that has to go out by an outlet.
type Delivery struct {
	Outlet  string // name
	Message alert.Message
	Due     time.Time // since when it should be out
}

// The repeats: some in the rhythm of Options.Repeat, then further and further
// apart.
const (
	evenRepeats = 3
	widestGap   = time.Hour
)

// Due are the messages that a step in the life of an alert makes due at once: v
// is the alert after the step, cause the type of its event.
func (r *Roster) Due(v *bench.AlertView, cause bench.EventType, now time.Time) []Delivery {
	switch cause {
	case bench.AlertWasRaised, bench.AlertWasUnshelved, bench.AlertWasReleased, bench.AlertWasPutBack:
		if v.Raised.After(now) {
			now = v.Raised // the event may be a moment later than what it was made of
		}
		return r.Later(v, now)
	case bench.AlertWasChanged:
		if v.Rings() || v.State == bench.AlertAcknowledged {
			return r.after(v, alert.Changed, wording(v), now, now)
		}
	case bench.AlertWasAcknowledged, bench.AlertWasShelved, bench.AlertWasTakenOut:
		return r.after(v, alert.Taken, "", v.Changed, now)
	case bench.AlertHasReturned:
		if !v.Passing && v.Returned.Equal(v.Changed) {
			return r.after(v, alert.Returned, "", v.Returned, now)
		}
	}
	return nil
}

// Later are the messages of an alert that are due by now: the first one to
// whoever had quiet hours, repeats, escalations. Of several that are due to one
// receiver it is the last. Asked again, it gives the same ones again, with the
// same keys.
func (r *Roster) Later(v *bench.AlertView, now time.Time) (out []Delivery) {
	if !v.Rings() || stale(v, r.o.Fresh, now) {
		return nil
	}
	for _, to := range r.receivers(&v.Alert) {
		first, ok := r.first(v, &to)
		if !ok || first.After(now) {
			continue
		}
		n, due := 0, first
		for n < r.repeats(v) && !first.Add(r.offset(n+1)).After(now) {
			n++
			due = first.Add(r.offset(n))
		}
		out = append(out, r.delivery(v, &to, deed(&to, n), n, "", due, now))
	}
	return out
}

// Next is when Later can give more than now; zero where it never does as the
// alert stands.
func (r *Roster) Next(v *bench.AlertView, now time.Time) (next time.Time) {
	if !v.Rings() || stale(v, r.o.Fresh, now) {
		return time.Time{}
	}
	for _, to := range r.receivers(&v.Alert) {
		first, ok := r.first(v, &to)
		for n := 0; ok && n <= r.repeats(v); n++ {
			due := first.Add(r.offset(n))
			if due.After(now) {
				if next.IsZero() || due.Before(next) {
					next = due
				}
				break
			}
		}
	}
	return next
}

// perishable reports an alert that is only worth telling while it is fresh.
func perishable(v *bench.AlertView) bool {
	return v.Severity != bench.Danger && (v.Passing || v.Severity == bench.Notice)
}

func stale(v *bench.AlertView, fresh time.Duration, now time.Time) bool {
	return perishable(v) && now.Sub(v.Raised) >= fresh
}

// first is when a receiver hears of an alert first; false: never.
func (r *Roster) first(v *bench.AlertView, to *receiver) (time.Time, bool) {
	begin := v.Raised.Add(time.Duration(to.stage) * r.o.Escalate)
	if v.Severity == bench.Danger {
		return begin, true
	}
	if to.stage > 0 {
		return time.Time{}, false
	}
	due, ok := awake(to.quiet, begin.In(r.o.Zone))
	return due, ok && !stale(v, r.o.Fresh, due)
}

// repeats is how often an alert is repeated to one receiver.
func (r *Roster) repeats(v *bench.AlertView) int {
	if v.Severity != bench.Danger || r.o.Repeat < 0 {
		return 0
	}
	return r.o.Times
}

// offset is how long after the first message the nth repeat is due.
func (r *Roster) offset(n int) (sum time.Duration) {
	gap := r.o.Repeat
	for i := range n {
		if i >= evenRepeats {
			gap = max(gap, min(2*gap, widestGap))
		}
		sum += gap
	}
	return sum
}

func deed(to *receiver, n int) alert.Deed {
	switch {
	case n > 0:
		return alert.Repeated
	case to.stage > 0:
		return alert.Escalated
	}
	return alert.Raised
}

// after are messages to those who were told of an alert up to a moment, or up to
// when somebody acknowledged it or it was over.
func (r *Roster) after(v *bench.AlertView, deed alert.Deed, what string, until, now time.Time) (out []Delivery) {
	if v.Raised.IsZero() {
		return nil
	}
	if !v.Acked.IsZero() && v.Acked.Before(until) {
		until = v.Acked
	}
	if !v.Passing && !v.Returned.IsZero() && v.Returned.Before(until) {
		until = v.Returned
	}
	for _, to := range r.receivers(&v.Alert) {
		if first, ok := r.first(v, &to); ok && !first.After(until) {
			out = append(out, r.delivery(v, &to, deed, 0, what, now, now))
		}
	}
	return out
}

// delivery makes a message. Its key is of the telling it belongs to: an alert
// that comes back from a shelf is told again, and once more taken or over.
func (r *Roster) delivery(v *bench.AlertView, to *receiver, deed alert.Deed, n int, what string, due, now time.Time) Delivery {
	parts := []string{v.Key, moment(v.Raised), string(deed), to.person, to.outlet, strconv.Itoa(n)}
	if what != "" {
		parts[len(parts)-1] = what
	}
	return Delivery{
		Outlet: to.outlet, Due: due,
		Message: alert.Message{
			Key: strings.Join(parts, "/"), Deed: deed, Alert: *v, Bench: r.o.Bench,
			To: to.person, Made: now, Nth: n,
		},
	}
}

func moment(t time.Time) string { return strconv.FormatInt(t.UnixMilli(), 10) }

// wording tells one pair of lines on a lock screen from another.
func wording(v *bench.AlertView) string {
	h := fnv.New64a()
	_, _ = h.Write([]byte(v.Title + "|" + v.Text)) // never fails
	return strconv.FormatUint(h.Sum64(), 36)
}
