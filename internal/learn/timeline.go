package learn

import (
	"cmp"
	"math"
	"slices"
	"time"

	"benchvigil/internal/bench"
)

// guard is how far from a mode change a reading counts.
const guard = 2 * time.Second

// forever is the end of what has not ended.
const forever = time.Duration(math.MaxInt64)

type span struct{ from, to time.Duration }

// timeline says which mode a board was in when.
type timeline struct {
	changes  []change // in the order of time
	ends     []time.Duration
	absences []span // from the bus
	hands    hands
}

type change struct {
	at   time.Duration
	mode bench.Mode
}

// lasted is a length of time in a mode.
type lasted struct {
	mode    bench.Mode
	length  time.Duration
	handled bool // a mark says that it was a person's doing
}

// change notes a mode from a moment on, which may lie before earlier news.
func (l *timeline) change(at time.Duration, m bench.Mode) {
	for n := len(l.changes); n > 0 && l.changes[n-1].at >= at; n-- {
		l.changes = l.changes[:n-1]
	}
	l.changes = append(l.changes, change{at, m})
}

// index is the last change at or before a moment, or -1.
func (l *timeline) index(at time.Duration) int {
	i, found := slices.BinarySearchFunc(l.changes, at, func(c change, at time.Duration) int { return cmp.Compare(c.at, at) })
	if found {
		return i
	}
	return i - 1
}

// end is when the i-th mode gave way to the next.
func (l *timeline) end(i int) time.Duration {
	if i+1 < len(l.changes) {
		return l.changes[i+1].at
	}
	return forever
}

// settled is the mode that held from well before one moment until well after
// another.
func (l *timeline) settled(from, to time.Duration) (bench.Mode, bool) {
	i := l.index(from)
	if i < 0 || l.changes[i].mode == bench.Unknown || from-l.changes[i].at < guard || l.end(i)-to < guard {
		return "", false
	}
	return l.changes[i].mode, true
}

// ended reports that a run ended within a stretch of time.
func (l *timeline) ended(from, to time.Duration) bool {
	return slices.ContainsFunc(l.ends, func(t time.Duration) bool { return from <= t && t <= to })
}

// dwells are the finished stays in a mode.
func (l *timeline) dwells() (out []lasted) {
	for i := 1; i+1 < len(l.changes); i++ {
		c, next := l.changes[i], l.changes[i+1]
		if l.changes[i-1].mode != bench.Unknown && later(c.mode, next.mode) && !l.ended(c.at+1, next.at) {
			out = append(out, lasted{mode: c.mode, length: next.at - c.at})
		}
	}
	return out
}

// later reports that a board in mode a that is next in mode b went on.
func later(a, b bench.Mode) bool {
	modes := bench.Modes()
	return a != bench.Unknown && slices.Index(modes, b) > slices.Index(modes, a)
}

// gaps are the absences from the bus that were followed by the mode before
// them, with nothing else in between.
func (l *timeline) gaps() (out []lasted) {
	for i, a := range l.absences {
		first, last := l.index(a.from-1), l.index(a.to)
		if first < 0 || l.changes[first].mode == bench.Unknown || l.changes[last].mode != l.changes[first].mode || l.ended(a.from, a.to) {
			continue
		}
		m := l.changes[first].mode
		if !slices.ContainsFunc(l.changes[first:last+1], func(c change) bool { return c.mode != m && c.mode != bench.Unknown }) {
			out = append(out, lasted{m, a.to - a.from, l.hands.on(a) || l.hands.theirs(a, l.nextAbsence(i))})
		}
	}
	return out
}

// nextAbsence is when the absence after the i-th began.
func (l *timeline) nextAbsence(i int) time.Duration {
	if i+1 < len(l.absences) {
		return l.absences[i+1].from
	}
	return forever
}
