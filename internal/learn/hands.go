package learn

import (
	"slices"
	"time"

	"benchvigil/internal/bench"
)

// hands are the marks by which people say what was their doing.
type hands struct {
	at   []span          // somebody was at the station
	mine []time.Duration // somebody said that what was before was theirs
}

// mark takes one mark; hands on end with the next mark about hands, or with
// their time, as in infer.
func (h *hands) mark(t time.Duration, m bench.Mark) {
	switch m.Kind {
	case bench.MarkMine:
		h.mine = append(h.mine, t)
	case bench.MarkHandsOn, bench.MarkHandsOff:
		if n := len(h.at); n > 0 {
			h.at[n-1].to = min(h.at[n-1].to, t)
		}
		if m.Kind == bench.MarkHandsOn {
			h.at = append(h.at, span{t, t + handsOnFor(m)})
		}
	}
}

func handsOnFor(m bench.Mark) time.Duration {
	if m.For <= 0 || m.For > bench.MostHandsOn {
		return bench.DefaultHandsOn
	}
	return m.For
}

// on reports that somebody was at the station during any part of an absence.
func (h *hands) on(a span) bool {
	return slices.ContainsFunc(h.at, func(s span) bool { return s.from < a.to && a.from < s.to })
}

// theirs reports that somebody said it of an absence: during it or soon after
// it, and before the next.
func (h *hands) theirs(a span, next time.Duration) bool {
	return slices.ContainsFunc(h.mine, func(t time.Duration) bool {
		return a.from <= t && t < next && t-a.to <= bench.MineWithin
	})
}
