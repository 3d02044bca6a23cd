package chart

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Modes are the times in each mode within an interval, from the changes in it
// and the last one before it. Where the station began to be followed anew, the
// mode is unknown until the next change; nothing is said of gaps in which nobody
// watched.
func Modes(changes []bench.Event, began []Began, from, to int64, label func(bench.Mode) string) []ModeSpan {
	type change struct {
		at   int64
		mode bench.Mode
	}
	var all []change
	for _, e := range changes {
		if e.Type == bench.ModeChanged {
			all = append(all, change{ms(e.Time), e.Data.To})
		}
	}
	for _, b := range began {
		if b.Anew {
			all = append(all, change{b.At, bench.Unknown})
		}
	}
	slices.SortStableFunc(all, func(a, b change) int { return cmp.Compare(a.at, b.at) })
	out := []ModeSpan{}
	for i, c := range all {
		end := to
		if i+1 < len(all) {
			end = min(to, all[i+1].at)
		}
		if c.at = max(c.at, from); end > c.at {
			out = append(out, ModeSpan{From: c.at, To: end, Mode: string(c.mode), Label: label(c.mode)})
		}
	}
	return out
}

// Unwatched cuts out of modes the times in which nobody watched.
func Unwatched(modes []ModeSpan, gaps []Gap) []ModeSpan {
	for _, g := range gaps {
		if g.Why != nobodyWatched {
			continue
		}
		var out []ModeSpan
		for _, m := range modes {
			before, after := m, m
			before.To, after.From = min(m.To, g.From), max(m.From, g.To)
			for _, part := range []ModeSpan{before, after} {
				if part.To > part.From {
					out = append(out, part)
				}
			}
		}
		modes = out
	}
	return append([]ModeSpan{}, modes...)
}

// Coarse joins neighbours of modes that are each narrower than a column into
// spans of a column or more, under the longest of them: nobody can see them.
func Coarse(modes []ModeSpan, step int64) []ModeSpan {
	out := []ModeSpan{}
	var longest int64 // of those joined in the last span; 0: it is none
	for _, m := range modes {
		lasts := m.To - m.From
		n := len(out)
		switch {
		case lasts >= step:
			longest = 0
		case n > 0 && longest > 0 && out[n-1].To == m.From && out[n-1].To-out[n-1].From < step:
			out[n-1].To = m.To
			if lasts > longest {
				longest, out[n-1].Mode, out[n-1].Label = lasts, m.Mode, m.Label
			}
			continue
		default:
			longest = lasts
		}
		out = append(out, m)
	}
	return out
}

// shown are the types of events that have a mark of their own: the others are
// spans, or the lives of alerts.
func shown(t bench.EventType) bool {
	return !t.IsAlert() && t != bench.ModeChanged && t != bench.RunDown
}

// mostMarks bounds the events of a chart, and the changes on its port.
const mostMarks = 400

// ordinary are events that go first where there are too many.
var ordinary = []bench.EventType{bench.RunStarted, bench.RunRestarted, bench.WindowMet, bench.WatchArmed, bench.StallCleared, bench.SupplyBack, bench.USBBack}

// MarkOf is an event as a mark, false for one that has none.
func MarkOf(e bench.Event) (EventMark, bool) {
	return EventMark{At: ms(e.Time), ID: e.ID(), Type: string(e.Type), Text: wordsOf(e), By: e.Data.By, Why: e.Data.Why}, shown(e.Type)
}

// PersonsMark is a person's mark with its number in the store.
func PersonsMark(at, number int64, m bench.Mark) EventMark {
	text := m.Kind
	if m.Text != "" {
		text += ": " + m.Text
	}
	return EventMark{At: at, ID: fmt.Sprint("mark-", number), Type: "mark." + m.Kind, Text: text, By: m.By}
}

// Few sorts marks by time. Of too many it keeps what is out of the ordinary and
// what people said, then the newest, and says how many it left out.
func Few(marks []EventMark) (out []EventMark, left int) {
	rank := func(m EventMark) int {
		if slices.Contains(ordinary, bench.EventType(m.Type)) {
			return 1
		}
		return 0
	}
	newest := func(a, b EventMark) int { return cmp.Compare(b.At, a.At) }
	out = append([]EventMark{}, marks...)
	if left = len(out) - mostMarks; left > 0 {
		slices.SortStableFunc(out, func(a, b EventMark) int { return cmp.Or(cmp.Compare(rank(a), rank(b)), newest(a, b)) })
		out = out[:mostMarks]
	}
	slices.SortStableFunc(out, func(a, b EventMark) int { return newest(b, a) })
	return out, max(left, 0)
}

// Newest keeps the last of what is in order of time, and says how many it left out.
func Newest[T any](all []T) (out []T, left int) {
	left = max(0, len(all)-mostMarks)
	return append([]T{}, all[left:]...), left
}

// wordsOf says an event in a few words.
func wordsOf(e bench.Event) string {
	words := strings.ReplaceAll(strings.TrimPrefix(string(e.Type), "benchvigil."), ".", " ")
	if e.Data.Goal != "" {
		words += ": " + e.Data.Goal
	}
	if e.Data.Kind != "" {
		words += " (" + e.Data.Kind + ")"
	}
	if d, known := e.Data.Uptime.Get(); known {
		words += " after " + d.Round(time.Second).String()
	}
	return words
}

// USBText says a change on a port in a few words.
func USBText(u bench.USB) string {
	switch {
	case u.Change == bench.USBRemove:
		return "gone"
	case u.Change == bench.USBDetails && u.Serial != "":
		return "serial number " + u.Serial
	case u.Change == bench.USBAdd:
		return "there: " + u.ID.String()
	}
	return string(u.Change)
}

func seconds(d time.Duration) float64 { return float64(d.Milliseconds()) / 1000 }

// Seconds is a length as rows have it.
func Seconds(d unit.Maybe[time.Duration]) float64 { return seconds(d.Or(0)) }
