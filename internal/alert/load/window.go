package load

import (
	"slices"
	"time"
)

// peak is the most times within a span that is open at its beginning, and the
// first moment at which it was reached.
func peak(sorted []time.Time, span time.Duration) (most int, at time.Time) {
	first := 0
	for i, t := range sorted {
		for !sorted[first].After(t.Add(-span)) {
			first++
		}
		if n := i - first + 1; n > most {
			most, at = n, t
		}
	}
	return most, at
}

// turn is a moment at which the count of a window or of stands changes.
type turn struct {
	at time.Time
	by int
}

// inOrder sorts turns; at one moment what leaves goes before what comes.
func inOrder(turns []turn) []turn {
	slices.SortStableFunc(turns, func(a, b turn) int {
		if c := a.at.Compare(b.at); c != 0 {
			return c
		}
		return a.by - b.by
	})
	return turns
}

// floods are the times from when more than above rang within ten minutes until
// fewer than below did.
func floods(sorted []time.Time, end time.Time, above, below int) (out []Flood) {
	var turns []turn
	for _, t := range sorted {
		turns = append(turns, turn{t, 1}, turn{t.Add(floodSpan), -1})
	}
	count, in := 0, false
	for _, t := range inOrder(turns) {
		if t.at.After(end) {
			break
		}
		count += t.by
		switch {
		case !in && count > above:
			in = true
			out = append(out, Flood{From: t.at, To: end, Rings: count})
		case in && count < below:
			in = false
			out[len(out)-1].To = t.at
		case in && t.by > 0:
			out[len(out)-1].Rings++
		}
	}
	return out
}

// mostAtOnce is how many of the stands there were at one time of a span, at most.
func mostAtOnce(stands []stand, from, to time.Time) (most int) {
	var turns []turn
	for _, s := range stands {
		if s.from.Before(to) && s.to.After(from) {
			turns = append(turns, turn{s.from, 1}, turn{s.to, -1})
		}
	}
	count := 0
	for _, t := range inOrder(turns) {
		if count += t.by; t.at.Before(to) {
			most = max(most, count)
		}
	}
	return most
}
