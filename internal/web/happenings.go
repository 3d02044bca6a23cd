package web

import (
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
)

// happening is an event or a mark.
type happening struct {
	at        time.Time
	text, why string
}

// happenings are the last events of a station and what people marked, newest
// first.
func happenings(s *bench.Snapshot, c clock) []Line {
	all := make([]happening, 0, len(s.Recent)+len(s.Marks))
	for _, e := range s.Recent {
		if e.Type != bench.WindowMissed || !takenBack(s.Recent, e.Time) {
			all = append(all, happening{shownAt(e), soonBackSentence(e, s.Recent), strings.Join(e.Data.Why, "; ")})
		}
	}
	for _, m := range s.Marks {
		text := markSentence(m)
		all = append(all, happening{m.At, shortened(text), fullText(text)})
	}
	slices.SortStableFunc(all, func(a, b happening) int { return b.at.Compare(a.at) })
	out := make([]Line, 0, len(all))
	for _, h := range all {
		out = append(out, Line{At: c.at(h.at), Text: h.text, Why: h.why})
	}
	return out
}

// shownAt is where an event stands among the others: what goes on after a
// mistaken stop began before, but that was said now.
func shownAt(e bench.Event) time.Time {
	if e.Data.Kind == bench.Resumed {
		return e.Concluded
	}
	return e.Time
}

// soonBackSentence says an event; of a drop that stayed off for a moment only,
// that too.
func soonBackSentence(e bench.Event, recent []bench.Event) string {
	l := bench.RunView{End: e.Time, EndedAs: e.Type, Kind: e.Data.Kind}
	for _, next := range recent {
		if gap, soon := l.BackAfter(next.Time); soon && next.Type == bench.RunStarted {
			return "Dropped" + after(e.Data) + soonBack(gap)
		}
	}
	return sentence(e)
}

// markSentence says in plain words what somebody marked.
func markSentence(m bench.MarkView) string {
	what := map[string]string{bench.MarkWarm: "Marked warm", bench.MarkScreen: "Screen seen", bench.MarkHookup: "New hook-up", bench.MarkCase: "Case"}[m.Kind]
	if what == "" {
		what = capital(strings.ReplaceAll(m.Kind, "-", " "))
	}
	if m.By != "" {
		what += " by " + m.By
	}
	return told(what, m.Text)
}

// mostText is how many letters of a mark stand on a tile.
const mostText = 100

func shortened(text string) string {
	if r := []rune(text); len(r) > mostText {
		return string(r[:mostText-1]) + "…"
	}
	return text
}

// fullText is what was shortened.
func fullText(text string) string {
	if shortened(text) == text {
		return ""
	}
	return text
}

// takenBack reports that the drop at that time turned out to be a person's
// doing: then no window was missed.
func takenBack(recent []bench.Event, at time.Time) bool {
	return slices.ContainsFunc(recent, func(e bench.Event) bool {
		return e.Type == bench.RunReclassified && e.Time.Equal(at)
	})
}
