package dispatch

import (
	"cmp"
	"slices"
	"time"

	"benchvigil/internal/alert"
	"benchvigil/internal/bench"
)

// item is a message that waits or is on its way.
type item struct {
	seq    uint64 // the order in which they came
	key    string
	m      alert.Message
	stored bool      // the store has it
	tries  int       // those before a restart counted
	since  time.Time // it has waited since then, by the monotonic clock
	again  time.Time // not before, by the same; zero: now
	weight int       // of the weightiest that it tells; 0 weighs most
	untold bool      // it tells of its alert for the first time
	rides  []rider   // older messages that it tells too, the oldest first
}

// rider is a message that another one tells.
type rider struct {
	key, alert string
	stored     bool
	ended      bool // nothing older of that alert is worth telling any more
}

func (it *item) asRider() rider {
	return rider{key: it.key, alert: it.m.Alert.Key, stored: it.stored, ended: it.m.Deed == alert.Returned}
}

// planned reports an item that was never due yet.
func (it *item) planned(now time.Time) bool { return it.tries == 0 && it.again.After(now) }

// thread is what messages keep their order in: a point, told to one receiver.
type thread struct {
	point bench.AlertPoint
	to    string
}

func (it *item) thread() thread { return thread{it.m.Alert.Point(), it.m.To} }

// over reports an item of which nobody has to be warned any more.
func (it *item) over() bool { return it.m.Deed == alert.Returned || it.m.Deed == alert.Taken }

// begins reports a deed that tells somebody of an alert, who may not know of it.
func begins(d alert.Deed) bool {
	return d == alert.Raised || d == alert.Repeated || d == alert.Escalated
}

// weigh puts what is over after what stands, within a severity.
func weigh(m *alert.Message) int {
	i := slices.Index(bench.Severities(), m.Alert.Severity)
	if i < 0 {
		i = len(bench.Severities())
	}
	if m.Deed == alert.Returned || m.Deed == alert.Taken {
		return 2*i + 1
	}
	return 2 * i
}

// fold gathers what has waited for too long, by the rules in the package comment.
// What remains is in the order in which it came.
func fold(waiting []*item, now time.Time, stale time.Duration, few int) []*item {
	var out, due []*item
	for _, it := range waiting {
		if it.planned(now) {
			out = append(out, it)
		} else {
			due = append(due, it)
		}
	}
	for _, of := range threads(due) {
		if now.Sub(of[0].since) >= stale {
			of = foldThread(of)
		}
		out = append(out, of...)
	}
	out = digest(out, now, stale, few)
	slices.SortFunc(out, func(a, b *item) int { return cmp.Compare(a.seq, b.seq) })
	return out
}

// threads parts items by thread, threads and items in the order in which they came.
func threads(items []*item) [][]*item { return part(items, (*item).thread) }

func part[K comparable](items []*item, key func(*item) K) (out [][]*item) {
	at := map[K]int{}
	for _, it := range items {
		k := key(it)
		i, ok := at[k]
		if !ok {
			i = len(out)
			at[k], out = i, append(out, nil)
		}
		out[i] = append(out[i], it)
	}
	return out
}

// foldThread folds each alert into its latest message, and the alerts that were
// never told into the latest alert.
func foldThread(of []*item) (out []*item) {
	alerts := part(of, func(it *item) string { return it.m.Alert.Key })
	newest := foldAlert(alerts[len(alerts)-1])
	for _, a := range alerts[:len(alerts)-1] {
		if it := foldAlert(a); it.untold {
			newest.absorb(it)
		} else {
			out = append(out, it)
		}
	}
	return append(out, newest)
}

// foldAlert folds messages of one alert into the latest.
func foldAlert(of []*item) *item {
	last := latest(of)
	for _, it := range of {
		if it != last {
			last.absorb(it)
		}
	}
	return last
}

// latest is the message that says most of an alert: its end, wherever it stands,
// since a clock that was stepped may have changed the order; else the last.
func latest(of []*item) *item {
	for _, it := range slices.Backward(of) {
		if it.m.Deed == alert.Returned {
			return it
		}
	}
	return of[len(of)-1]
}

// digest folds alerts that came and went unheard into the latest of them, for each
// receiver who would get more than a few.
func digest(items []*item, now time.Time, stale time.Duration, few int) []*item {
	unheard := func(it *item) bool { return it.over() && it.untold && now.Sub(it.since) >= stale }
	byReceiver := map[string][]*item{}
	for _, it := range items {
		if unheard(it) {
			byReceiver[it.m.To] = append(byReceiver[it.m.To], it)
		}
	}
	gone := map[*item]bool{}
	for _, of := range byReceiver {
		if len(of) <= few {
			continue
		}
		newest := slices.MaxFunc(of, func(a, b *item) int { return a.m.Alert.Since.Compare(b.m.Alert.Since) })
		for _, it := range of {
			if it != newest {
				newest.absorb(it)
				gone[it] = true
			}
		}
	}
	return slices.DeleteFunc(items, func(it *item) bool { return gone[it] })
}

// absorb makes an item tell what another one says.
func (it *item) absorb(o *item) {
	missed := slices.Concat(o.m.Missed, it.m.Missed)
	if begins(o.m.Deed) {
		missed = append(missed, missedOf(&o.m))
	}
	missed = merge(missed)
	for i := range missed {
		if missed[i].Key == o.m.Alert.Key && o.over() {
			missed[i].Over, missed[i].By = o.m.Alert.Returned, takenBy(&o.m)
		}
	}
	it.m.Missed = missed
	r := o.asRider()
	r.ended = r.ended || r.alert != it.m.Alert.Key && o.thread() == it.thread() // a newer one stands there
	it.rides = append(append(it.rides, o.rides...), r)
	it.weight = min(it.weight, o.weight)
	it.untold = it.untold || o.untold && o.m.Alert.Key == it.m.Alert.Key
	if o.since.Before(it.since) {
		it.since = o.since
	}
}

func missedOf(m *alert.Message) alert.Missed {
	return alert.Missed{Key: m.Alert.Key, Severity: m.Alert.Severity, Title: m.Alert.Title, Since: m.Alert.Since}
}

func takenBy(m *alert.Message) string {
	if m.Deed == alert.Taken {
		return m.Alert.By
	}
	return ""
}

// merge makes each alert one line, in the order in which they began.
func merge(missed []alert.Missed) (out []alert.Missed) {
	for _, x := range missed {
		i := slices.IndexFunc(out, func(o alert.Missed) bool { return o.Key == x.Key })
		if i < 0 {
			out = append(out, x)
			continue
		}
		if out[i].Over.IsZero() {
			out[i].Over = x.Over
		}
		out[i].By = cmp.Or(out[i].By, x.By)
	}
	slices.SortStableFunc(out, func(a, b alert.Missed) int { return a.Since.Compare(b.Since) })
	return out
}

// pick chooses what goes next of what may: the first of each thread that has none
// on its way, the weightiest, then the one that came first. While the outlet fails
// the least tried goes before that: it may be one message that does not get through.
// If none may yet, it says when one will; zero: not by the clock.
func pick(waiting []*item, busy map[thread]*item, now time.Time, failing bool) (best *item, at time.Time) {
	seen := map[thread]bool{}
	for _, it := range waiting {
		t := it.thread()
		if busy[t] != nil || seen[t] {
			continue
		}
		seen[t] = true
		if it.again.After(now) {
			if at.IsZero() || it.again.Before(at) {
				at = it.again
			}
			continue
		}
		if best == nil || it.before(best, failing) {
			best = it
		}
	}
	return best, at
}

func (it *item) before(o *item, failing bool) bool {
	if failing && it.tries != o.tries {
		return it.tries < o.tries
	}
	return it.weight < o.weight
}

// backoff is a random wait before the next try: "full jitter", as in Amazon's
// "Exponential Backoff And Jitter" (from memory): evenly in 0 … min(longest, 1 s · 2^(n-1)).
func backoff(tries int, longest time.Duration, random float64) time.Duration {
	most := longest
	if tries < 30 {
		most = min(longest, time.Second<<max(tries-1, 0))
	}
	return time.Duration(random * float64(most))
}

// waited is how long an entry has been due.
func waited(e Entry, now time.Time) time.Duration {
	from := e.Raised
	if e.Attempts == 0 && e.Due.After(from) {
		from = e.Due
	}
	return max(now.Sub(from), 0)
}

// left is how long an entry still has to wait, whatever was done to the wall clock
// since it was put off.
func left(e Entry, now time.Time, longest time.Duration) time.Duration {
	wait := e.Due.Sub(now)
	if e.Attempts > 0 {
		wait = min(wait, longest)
	} else {
		wait = min(wait, e.Due.Sub(e.Raised))
	}
	return max(wait, 0)
}
