package life

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
)

// How long what is over stays in the book when nobody acknowledges it.
const (
	KeepNews   = 24 * time.Hour
	KeepDanger = 7 * 24 * time.Hour
)

// slack is how much of a step of the clock is taken for granted.
const slack = time.Minute

// Book is every point at which an alert stood so far, with the last one of it.
// It is not safe for concurrent use.
type Book struct {
	points map[bench.AlertPoint]*entry
	holds  map[string]time.Time // until when a person is at a station
}

// entry is one point.
type entry struct {
	view bench.AlertView
	told time.Time // of the last event
}

// over reports an end that has come: its time is past, or further away than it
// ever was, because the clock was set back, and says nothing any more.
func over(until, now time.Time, length time.Duration) bool {
	left := until.Sub(now)
	return left <= 0 || left > length+slack
}

// New is an empty book.
func New() *Book {
	return &Book{points: map[bench.AlertPoint]*entry{}, holds: map[string]time.Time{}}
}

// Apply takes up an event that was told: after all events of a ledger, in their
// order, the book is the one that told them. Other events change nothing. Holds
// under which nothing was suppressed are not in the events: after a restart,
// Hold has to be called for every station.
func (b *Book) Apply(e bench.Event) {
	v := e.Data.Alert
	if v == nil || !e.Type.IsAlert() {
		return
	}
	b.points[v.Point()] = &entry{view: *v, told: e.Time}
	switch {
	case v.State == bench.AlertSuppressed:
		b.holds[v.Station] = v.Until
	case e.Type == bench.AlertWasReleased:
		delete(b.holds, v.Station)
	}
}

// Raise enters an alert. The last one of its point, by its key, changes nothing,
// however its life went on. Where another stands at the point, that one returns
// and the new one takes its place. An empty key is made of Since.
func (b *Book) Raise(a bench.Alert, at time.Time) (out []bench.Event) {
	if a.Key == "" {
		a.Key = a.Point().KeyAt(a.Since)
	}
	p := a.Point()
	e := b.points[p]
	switch {
	case e == nil:
		e = &entry{view: bench.AlertView{State: bench.AlertNormal}}
		b.points[p] = e
	case e.view.Key == a.Key:
		return nil
	case e.view.Stands:
		out = b.step(e, back, at, "", "the next one has taken its place")
	}
	in := raise
	if e.view.State == bench.AlertShelved && weighs(a.Severity) > weighs(e.view.Severity) {
		in = worsen
	}
	e.view = next(&e.view, a)
	return append(out, b.step(e, in, at, "")...)
}

// next is the view of a new occurrence. What people decided about the point
// stays.
func next(old *bench.AlertView, a bench.Alert) bench.AlertView {
	v := bench.AlertView{Alert: a, State: old.State, Changed: old.Changed, Stands: !a.Passing}
	if old.State == bench.AlertShelved || old.State == bench.AlertOutOfService || old.State == bench.AlertSuppressed {
		v.By, v.Until = old.By, old.Until
	}
	return v
}

// weighs orders severities.
func weighs(s bench.Severity) int {
	list := bench.Severities()
	if i := slices.Index(list, s); i >= 0 {
		return len(list) - i
	}
	return 0
}

// Amend replaces what an alert says, if it is the one at its point. One that
// weighs more than before rings again.
func (b *Book) Amend(a bench.Alert, at time.Time) []bench.Event {
	e := b.points[a.Point()]
	if e == nil || e.view.Key != a.Key || e.view.State == bench.AlertNormal {
		return nil
	}
	a.Passing = e.view.Passing // it is decided once
	if same(&e.view.Alert, &a) {
		return nil
	}
	in := amend
	if weighs(a.Severity) > weighs(e.view.Severity) {
		in = worsen
	}
	e.view.Alert = a
	return b.step(e, in, at, "")
}

// same compares alerts.
func same(a, b *bench.Alert) bool {
	x, y := *a, *b
	if !x.Since.Equal(y.Since) || !slices.Equal(x.Why, y.Why) || !slices.Equal(x.Others, y.Others) {
		return false
	}
	for _, c := range []*bench.Alert{&x, &y} {
		c.Since, c.Why, c.Others = time.Time{}, nil, nil
	}
	return x.Key == y.Key && x.Kind == y.Kind && x.Rule == y.Rule && x.Severity == y.Severity && x.Station == y.Station &&
		x.Name == y.Name && x.Case == y.Case && x.Title == y.Title && x.Text == y.Text && x.Do == y.Do &&
		x.Amps == y.Amps && x.Before == y.Before && x.Passing == y.Passing && x.Event == y.Event
}

// Return says that what stands at a point is over. Where nothing stands it
// changes nothing.
func (b *Book) Return(p bench.AlertPoint, at time.Time, why string) []bench.Event {
	e := b.points[p]
	if e == nil || !e.view.Stands {
		return nil
	}
	if why == "" {
		return b.step(e, back, at, "")
	}
	return b.step(e, back, at, "", why)
}

// Hold says until when a person is at a station: its alerts are suppressed, and
// what still stands is told at the end. An end that is past or zero is now, and
// none is further away than bench.MostHandsOn.
func (b *Book) Hold(station string, until, at time.Time) []bench.Event {
	if !until.After(at) {
		return b.letGo(station, at)
	}
	if most := at.Add(bench.MostHandsOn); until.After(most) {
		until = most
	}
	b.holds[station] = until
	return b.each(func(e *entry) []bench.Event {
		v := &e.view
		if v.Station != station || !matters(v, at) || v.State == bench.AlertSuppressed && v.Until.Equal(until) {
			return nil
		}
		return b.step(e, suppress, at, "")
	})
}

func (b *Book) letGo(station string, at time.Time) []bench.Event {
	delete(b.holds, station)
	return b.each(func(e *entry) []bench.Event {
		if e.view.Station != station {
			return nil
		}
		return b.step(e, release, at, "")
	})
}

// Tick lets time pass: shelving and holds end, and what is over for long closes
// by itself. Where the clock was set back to before an alert rang, it rings again
// from now, so that nothing waits for the old time to come.
func (b *Book) Tick(now time.Time) (out []bench.Event) {
	for _, station := range slices.Sorted(maps.Keys(b.holds)) {
		if over(b.holds[station], now, bench.MostHandsOn) {
			out = append(out, b.letGo(station, now)...)
		}
	}
	return append(out, b.each(func(e *entry) []bench.Event { return b.pass(e, now) })...)
}

// pass lets time pass at one point.
func (b *Book) pass(e *entry, now time.Time) []bench.Event {
	v := &e.view
	switch {
	case v.State == bench.AlertShelved && over(v.Until, now, v.Until.Sub(v.Changed)):
		return b.step(e, unshelve, now, "", "the time of its shelving is over")
	case v.State == bench.AlertReturned && now.Sub(v.Changed) >= keep(v.Severity):
		return b.step(e, close, now, "", "nobody acknowledged it for "+keep(v.Severity).String())
	case v.Rings() && v.Raised.Sub(now) > slack:
		at := e.moment(now)
		v.Raised, v.Changed = at, at
		return e.tell(bench.AlertWasChanged, at, "", "the clock was set back to before it was told")
	}
	return nil
}

func keep(s bench.Severity) time.Duration {
	if s == bench.Danger {
		return KeepDanger
	}
	return KeepNews
}

// Views are the alerts that are not normal, the weightiest first and of those the
// newest.
func (b *Book) Views() []bench.AlertView {
	var out []bench.AlertView
	for _, e := range b.points {
		if e.view.State != bench.AlertNormal {
			out = append(out, e.view)
		}
	}
	slices.SortFunc(out, func(x, y bench.AlertView) int {
		return cmp.Or(weighs(y.Severity)-weighs(x.Severity), y.Since.Compare(x.Since), strings.Compare(x.Key, y.Key))
	})
	return out
}

// Find is the last alert of a key or of a point (as its String gives it), also
// when it is over.
func (b *Book) Find(key string) (bench.AlertView, bool) {
	if e := b.find(key); e != nil {
		return e.view, true
	}
	return bench.AlertView{}, false
}

func (b *Book) find(key string) *entry {
	for p, e := range b.points {
		if e.view.Key == key || p.String() == key {
			return e
		}
	}
	return nil
}

// each goes through the points in a fixed order.
func (b *Book) each(f func(*entry) []bench.Event) (out []bench.Event) {
	points := slices.SortedFunc(maps.Keys(b.points), func(x, y bench.AlertPoint) int {
		return cmp.Or(strings.Compare(x.Station, y.Station), strings.Compare(string(x.Kind), string(y.Kind)), strings.Compare(x.Rule, y.Rule))
	})
	for _, p := range points {
		out = append(out, f(b.points[p])...)
	}
	return out
}
