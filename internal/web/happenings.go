package web

import (
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
)

// happenings are the last events of a station, newest first.
func happenings(s *bench.Snapshot, c clock) []Line {
	recent := slices.DeleteFunc(slices.Clone(s.Recent), func(e bench.Event) bool {
		return e.Type == bench.WindowMissed && takenBack(s.Recent, e.Time)
	})
	slices.SortStableFunc(recent, func(a, b bench.Event) int { return b.Time.Compare(a.Time) })
	out := make([]Line, 0, len(recent))
	for _, e := range recent {
		out = append(out, Line{At: c.at(e.Time), Text: sentence(e), Why: strings.Join(e.Data.Why, "; ")})
	}
	return out
}

// takenBack reports that the drop at that time turned out to be a person's
// doing: then no window was missed.
func takenBack(recent []bench.Event, at time.Time) bool {
	return slices.ContainsFunc(recent, func(e bench.Event) bool {
		return e.Type == bench.RunReclassified && e.Time.Equal(at)
	})
}
