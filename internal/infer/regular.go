package infer

import (
	"slices"

	"benchvigil/internal/bench"
	"benchvigil/internal/stats"
)

// Limits of the test for regularity.
const (
	regularLeast  = 3     // drops
	regularMost   = 8     // drops that are remembered
	regularSpread = 10    // all within one part in ten of their median
	regularLevel  = 0.001 // how often drops at random may look like that
)

// regular remembers how long after its origin a run dropped and tells when the
// drops of this station come at nearly the same time.
func (e *Engine) regular(r runState, at ms) {
	if r.Assumed || r.Origin == 0 || at <= r.Origin {
		return
	}
	e.s.Drops = append(e.s.Drops, at-r.Origin)
	if n := len(e.s.Drops); n > regularMost {
		e.s.Drops = e.s.Drops[n-regularMost:]
	}
	e.s.Last.Counted = true
	p, alike := newestAlike(e.s.Drops)
	if alike == 0 {
		e.s.Told = 0
		return
	}
	if e.s.Told > 0 {
		return
	}
	e.s.Told = alike
	e.emit(bench.RunRegular, at, bench.EventData{Uptime: length(at - r.Start), Window: length(e.window), Why: e.whyRegular(p, alike)})
}

// newestAlike finds how many of the newest times are too alike for chance, the
// most first, and how often chance would do that.
func newestAlike(times []ms) (p float64, n int) {
	for n := len(times); n >= regularLeast; n-- {
		if p, same := chanceOfRegular(times[len(times)-n:]); same {
			return p, n
		}
	}
	return 1, 0
}

// chanceOfRegular tests whether times since the origin are too alike to be
// drops at random: chance would make them so once in a thousand times at most,
// and they lie close to their median.
func chanceOfRegular(times []ms) (p float64, same bool) {
	n := len(times)
	if n < regularLeast {
		return 1, false
	}
	waits := make([]float64, n)
	for i, t := range times {
		waits[i] = float64(t)
	}
	p = stats.AlikeByChance(waits)
	sorted := slices.Sorted(slices.Values(times))
	mid := sorted[n/2]
	close := mid-sorted[0] <= mid/regularSpread && sorted[n-1]-mid <= mid/regularSpread
	return p, close && p <= regularLevel
}
