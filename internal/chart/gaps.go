package chart

import (
	"cmp"
	"slices"
	"time"

	"benchvigil/internal/bench"
)

// The words for gaps.
const (
	nobodyWatched = "nobody watched"
	notKept       = "readings of then are not kept any more"
	noReading     = "no reading came"
)

// Fact is what the store remembers beside readings.
type Fact struct {
	At   int64
	Fact bench.Fact
}

// Began is a stretch of a station's time.
type Began struct {
	At   int64
	Anew bool // the station began to be followed
}

// Known are the gaps that facts tell of: nobody watched, the supply was lost. A
// trouble that goes on lasts until the end.
func Known(facts []Fact, began []Began, to int64) (out []Gap) {
	var lost, ended *Gap
	for _, f := range facts {
		switch v := f.Fact.(type) {
		case bench.Clock:
			if v.Gap > 0 {
				out = append(out, Gap{From: f.At - v.Gap.Milliseconds(), To: f.At, Why: nobodyWatched})
				ended = nil
			}
			if v.End {
				ended = &Gap{From: f.At, To: to, Why: nobodyWatched}
			}
		case bench.Supply:
			if v.Channel != "" && v.Channel != bench.ChannelMain {
				continue
			}
			switch {
			case v.Change == bench.Lost && lost == nil:
				lost = &Gap{From: f.At, To: to, Why: why("supply lost", v.Error)}
			case v.Change == bench.Back && lost != nil:
				lost.To = f.At
				out, lost = append(out, *lost), nil
			}
		}
		if ended != nil && f.At > ended.From {
			out, ended = append(out, ended.until(began, f.At)), nil
		}
	}
	if lost != nil {
		out = append(out, *lost)
	}
	if ended != nil {
		out = append(out, ended.until(began, to))
	}
	return out
}

// until ends a gap where the station was followed again.
func (g Gap) until(began []Began, most int64) Gap {
	g.To = most
	for _, b := range began {
		if b.Anew && b.At >= g.From && b.At < g.To {
			g.To = b.At
		}
	}
	return g
}

func why(what, err string) string {
	if err == "" {
		return what
	}
	return what + ": " + err
}

// Unkept is the time before the oldest reading that is kept, where the station
// was followed before it.
func Unkept(oldest int64, began []Began, from int64) []Gap {
	if len(began) == 0 || oldest-max(began[0].At, from) <= blind {
		return nil
	}
	return []Gap{{From: max(began[0].At, from), To: oldest, Why: notKept}}
}

// Explain merges what is known with the silences of a line. A silence that
// touches a gap belongs to it; one that nothing explains stands for itself.
// Before a station was first followed there is no gap.
func Explain(known, silent []Gap, began []Began, from, to int64) []Gap {
	out := apart(known)
	for _, s := range silent {
		if len(began) > 0 {
			s.From = max(s.From, began[0].At)
		}
		if s.To-s.From <= blind {
			continue
		}
		s.Why = noReading
		if slices.ContainsFunc(began, func(b Began) bool { return b.Anew && b.At > s.From && b.At <= s.To }) {
			s.Why = nobodyWatched // and whoever watched before was cut off
		}
		out = apart(absorb(out, s))
	}
	return clip(apart(out), from, to)
}

// apart sorts gaps and joins those that overlap, under the words of the first.
func apart(gaps []Gap) (out []Gap) {
	gaps = slices.Clone(gaps)
	slices.SortStableFunc(gaps, func(a, b Gap) int { return cmp.Compare(a.From, b.From) })
	for _, g := range gaps {
		if n := len(out); n > 0 && g.From < out[n-1].To {
			last := &out[n-1]
			if g.Why != last.Why && g.To > last.To {
				g.From = last.To
				out = append(out, g)
				continue
			}
			last.To = max(last.To, g.To)
			continue
		}
		if g.To > g.From {
			out = append(out, g)
		}
	}
	return out
}

// absorb adds a silence to gaps that are sorted and apart: what lies before a
// gap belongs to it, and what follows the last one to that.
func absorb(gaps []Gap, s Gap) []Gap {
	last := -1
	for i := range gaps {
		g := &gaps[i]
		switch {
		case g.To < s.From || g.From > s.To:
			continue
		case last < 0:
			g.From = min(g.From, s.From)
		default:
			g.From = gaps[last].To
		}
		last = i
	}
	if last < 0 {
		return append(gaps, s)
	}
	gaps[last].To = max(gaps[last].To, s.To)
	return gaps
}

func clip(gaps []Gap, from, to int64) []Gap {
	out := []Gap{}
	for _, g := range gaps {
		if g.From, g.To = max(g.From, from), min(g.To, to); g.To > g.From {
			out = append(out, g)
		}
	}
	return out
}

func ms(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMilli()
}
