package life

import (
	"time"

	"benchvigil/internal/bench"
)

// step takes the one step that the table has for an input.
func (b *Book) step(e *entry, in input, at time.Time, by string, why ...string) []bench.Event {
	s := table[e.view.State][in]
	if s.tells == "" {
		return nil
	}
	at = e.moment(at)
	v := &e.view
	switch in {
	case raise, worsen:
		if v.Passing {
			v.Returned = at
		}
	case back:
		v.Stands, v.Returned = false, at
	case acknowledge:
		v.Acked = at
	}
	if by != "" {
		v.By = by
	}
	b.enter(v, b.target(v, s.to, at), in, at)
	return e.tell(s.tells, at, by, why...)
}

// target resolves the states that depend on the alert.
func (b *Book) target(v *bench.AlertView, to bench.AlertState, at time.Time) bench.AlertState {
	switch {
	case to == stays:
		return v.State
	case to == settled && v.Stands:
		return bench.AlertAcknowledged
	case to == settled, to == resumes && !matters(v, at):
		return bench.AlertNormal
	case to != resumes:
		return to
	case b.held(v.Station, at):
		return bench.AlertSuppressed
	case v.Stands:
		return bench.AlertUnacknowledged
	}
	return bench.AlertReturned
}

// matters reports an alert that somebody has to see to, whatever its state: it
// stands, or is news that nobody has acknowledged and that is not old.
func matters(v *bench.AlertView, at time.Time) bool {
	return v.Stands || v.Passing && v.Acked.IsZero() && at.Sub(v.Returned) < keep(v.Severity)
}

func (b *Book) held(station string, at time.Time) bool {
	until, ok := b.holds[station]
	return ok && !over(until, at, bench.MostHandsOn)
}

// enter writes into the view what a state brings with it.
func (b *Book) enter(v *bench.AlertView, to bench.AlertState, in input, at time.Time) {
	anew := ringsAnew(v, to, in)
	if anew || to != v.State || in == shelve {
		v.Changed = at
	}
	v.State = to
	switch to {
	case bench.AlertSuppressed:
		v.Until = b.holds[v.Station]
	case bench.AlertShelved: // as it was set
	default:
		v.Until = time.Time{}
	}
	if anew {
		v.Raised, v.Acked = at, time.Time{}
	}
}

// ringsAnew reports a step after which the alert has to be told. News that was
// told before a person came to the station is not news when they have gone.
func ringsAnew(v *bench.AlertView, to bench.AlertState, in input) bool {
	switch in {
	case raise, worsen, unshelve, putBack:
	case release:
		if !v.Stands && !v.Raised.IsZero() {
			return false
		}
	default:
		return false
	}
	return to == bench.AlertUnacknowledged || to == bench.AlertReturned
}

// moment is the time of the next event: wall time in milliseconds, as it is kept,
// and never that of the event before, since the identity of an event is made of
// it. Beyond a second a step back of the clock shows.
func (e *entry) moment(at time.Time) time.Time {
	at = at.Truncate(time.Millisecond)
	if d := e.told.Sub(at); d >= 0 && d < time.Second {
		return e.told.Add(time.Millisecond)
	}
	return at
}

func (e *entry) tell(t bench.EventType, at time.Time, by string, why ...string) []bench.Event {
	e.told = at
	return []bench.Event{bench.AlertEvent(t, at, e.view, by, why...)}
}
