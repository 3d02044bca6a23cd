package rule

import (
	"slices"
	"time"

	"benchvigil/internal/bench"
)

// entry is a condition that stands at a point, told or not.
type entry struct {
	facts    facts
	alert    bench.Alert
	due      time.Time // when it is to be told
	told     bool
	rung     bool              // it was raised: no occurrence is raised twice
	toldAs   bench.Severity    // of what was told
	silent   bool              // it is told as part of a cause alone
	changed  string            // why its words are others than those told; empty: they are not
	cause    *bench.AlertPoint // what it is part of; nil: nothing
	signal   signal
	up       time.Time // of a drop: since when a run was seen to go on
	restored bool      // it stood before the program was started, and was not judged since
	members  []string  // of a cause: all stations that it took along
}

// add makes an entry stand at its point.
func (r *Rules) add(e *entry) *entry {
	r.points[e.alert.Point()] = e
	r.order = append(r.order, e)
	r.regroup = r.regroup || e.signal != none
	return e
}

// open makes a condition stand. One that stands at the point already is another
// occurrence if it began at another time: it is over then.
func (r *Rules) open(f facts) *entry {
	if old := r.points[f.point()]; old != nil {
		if old.facts.since.Equal(f.since) {
			r.rewrite(old, f, "more is known")
			return old
		}
		r.close(old, "another one began at "+f.at(f.since))
	}
	return r.add(&entry{facts: f, alert: f.write(), due: f.since.Add(r.hold(f.kind, f.severity))})
}

// rewrite takes new facts of the same occurrence.
func (r *Rules) rewrite(e *entry, f facts, why string) {
	f.since = e.facts.since
	a := f.write()
	if a.Event == "" {
		a.Event = e.alert.Event
	}
	a.Key = e.alert.Key
	if a.Severity == bench.Danger && r.now.Before(e.due) {
		e.due = r.now
	}
	if !same(&a, &e.alert) {
		e.changed = why
	}
	e.facts, e.alert, e.restored = f, a, false
}

// same reports that two alerts say the same.
func same(a, b *bench.Alert) bool {
	return a.Title == b.Title && a.Text == b.Text && a.Severity == b.Severity && slices.Equal(a.Why, b.Why) && slices.Equal(a.Others, b.Others)
}

// close ends a condition, and says so where it was told.
func (r *Rules) close(e *entry, why string) {
	delete(r.points, e.alert.Point())
	r.order = slices.DeleteFunc(r.order, func(o *entry) bool { return o == e })
	r.regroup = r.regroup || e.signal != none || e.cause != nil || e.facts.kind == bench.AlertUSBLost
	if st := r.stations[e.facts.station]; st != nil && e.facts.kind == bench.AlertDropped {
		st.over = e.facts.last()
	}
	if e.told {
		r.tellOver(e, why)
	}
}

// closeAt ends what stands at a point, if anything does.
func (r *Rules) closeAt(p bench.AlertPoint, why string) {
	if e := r.points[p]; e != nil {
		r.close(e, why)
	}
}

// pass tells news that nothing stands of.
func (r *Rules) pass(f facts) {
	a := f.write()
	a.Passing = true
	r.out = append(r.out, Change{What: Raise, Alert: a, At: r.now})
}

// tell brings what was told in line with what stands: causes first, then what
// they take along.
func (r *Rules) tell() {
	for _, e := range r.order {
		if e.isCause() && e.cause == nil {
			r.tellOne(e)
		}
	}
	for _, e := range slices.Clone(r.order) {
		switch {
		case e.isCause() && e.cause == nil:
		case e.isCause():
			r.close(e, "part of "+r.nameOf(*e.cause))
		default:
			r.tellOne(e)
		}
	}
	r.regroup = false
}

// tellOne tells one condition. One that is graver than was told is amended at
// once, because that has to ring.
func (r *Rules) tellOne(e *entry) {
	switch {
	case e.cause != nil && e.told:
		e.told = false
		r.tellOver(e, "part of "+r.nameOf(*e.cause))
	case e.cause != nil || e.silent || e.due.After(r.now):
	case !e.told:
		e.told, e.rung = true, true
		r.out = append(r.out, Change{What: Raise, Alert: e.alert, At: r.now})
	case e.changed != "" && e.isCause() && !r.ticks && e.alert.Severity == e.toldAs:
		return // what a storm adds is told once a tick, not once a station
	case e.changed != "":
		r.out = append(r.out, Change{What: Amend, Alert: e.alert, At: r.now, Why: e.changed})
	}
	e.changed, e.toldAs = "", e.alert.Severity
}

// tellOver tells a return. The second line says what is so now.
func (r *Rules) tellOver(e *entry, why string) {
	a := e.alert
	a.Text = clip(sentence(why)+" It was: "+a.Text, mostText)
	r.out = append(r.out, Change{What: Return, Alert: a, At: r.now, Why: why})
}

// nameOf is what a cause is called in words.
func (r *Rules) nameOf(p bench.AlertPoint) string {
	if e := r.points[p]; e != nil {
		return e.alert.Title
	}
	return p.String()
}

// tidy ends what is about a station that is no more.
func (r *Rules) tidy() {
	for _, e := range slices.Clone(r.order) {
		if id := e.alert.Station; id != "" && r.stations[id] == nil {
			r.close(e, "the station is no longer configured")
		}
	}
}
