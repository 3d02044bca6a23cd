package web

import (
	"cmp"
	"slices"
	"time"

	"benchvigil/internal/bench"
)

// troubles lists what is wrong with a station, most urgent first.
func troubles(s *bench.Snapshot, c clock, silent bool) []Trouble {
	var out []Trouble
	add := func(is bool, severity Severity, state, text string) {
		if is {
			out = append(out, Trouble{severity, state, text})
		}
	}
	add(silent, Abnormal, "No news", "No news from this station since "+c.at(s.At)+": what stands here is old.")
	add(s.Run != nil && s.Run.Suspect, Danger, "Drop?", "It looks like a drop, not certain yet.")
	if !s.Stalled.IsZero() {
		add(true, Abnormal, "Stalled", "Nothing has moved since "+c.at(s.Stalled)+", for "+span(s.At.Sub(s.Stalled))+".")
	}
	add(s.StartHung, Abnormal, "Start hung", hungText(s))
	add(s.USB.Overdue, Abnormal, "USB gone", "USB gone since "+c.at(s.USB.Gone)+", the current still flows: is the cable out?")
	out = append(out, current(s, c)...)
	out = append(out, lastWatch(s, c)...)
	out = append(out, forgotten(s, c)...)
	out = append(out, lastRun(s, c)...)
	out = append(out, unwatched(s, c)...)
	out = append(out, sight(s, c)...)
	out = append(out, wiring(s)...)
	slices.SortStableFunc(out, func(a, b Trouble) int { return cmp.Compare(b.Severity, a.Severity) })
	return out
}

func hungText(s *bench.Snapshot) string {
	if s.ModeSince.IsZero() {
		return "It has been starting for too long."
	}
	return "It has been starting for " + span(s.At.Sub(s.ModeSince)) + ": too long."
}

// unwatched says that nobody watched for a while, and what shows what became of
// the run in it.
func unwatched(s *bench.Snapshot, c clock) []Trouble {
	g := s.Gap
	if g == nil {
		return nil
	}
	return []Trouble{{Neutral, "", "Not watched for " + span(g.To.Sub(g.From)) + " until " + c.at(g.To) + ", while benchvigil was stopped: " + g.Why + "."}}
}

// lastRun says how the run before ended. A drop is a danger until something
// runs again, and abnormal until that has proven itself by its window.
func lastRun(s *bench.Snapshot, c clock) []Trouble {
	l := s.LastRun
	if l == nil {
		return nil
	}
	when := " at " + c.at(l.End) + " after " + span(l.Uptime) + ending(l.Kind) + "."
	if s.Run != nil {
		if after, soon := l.BackAfter(s.Run.Start); soon {
			when = " at " + c.at(l.End) + " after " + span(l.Uptime) + soonBack(after) + "."
		}
	}
	if l.EndedAs == bench.RunStopped {
		if s.Run != nil {
			return nil
		}
		if s.StillPowered() {
			return []Trouble{{Action, "Still powered", "Nobody watches this board, and it has power. Stopped" + when}}
		}
		return []Trouble{{Neutral, "Stopped", "Stopped" + when}}
	}
	when += missed(s.Window, l)
	switch {
	case s.Run == nil:
		return []Trouble{{Danger, "Dropped", "Dropped" + when}}
	case s.Run.WindowMet.IsZero():
		return []Trouble{{Abnormal, "Up again", "The run before dropped" + when}}
	}
	return []Trouble{{Neutral, "", "The run before dropped" + when}}
}

func missed(window time.Duration, l *bench.RunView) string {
	if window <= 0 || !l.WindowMet.IsZero() {
		return ""
	}
	return " Window missed."
}

// sight says which sources cannot be seen and what they complain of.
func sight(s *bench.Snapshot, c clock) (out []Trouble) {
	switch {
	case !s.SupplyLost.IsZero():
		text := "No good reading since " + c.at(s.SupplyLost) + unproven(s)
		out = append(out, Trouble{Action, "No readings", told(text, s.SupplyError) + "."})
	case s.SupplyError != "":
		out = append(out, Trouble{Neutral, "", told("The supply complains", s.SupplyError) + "."})
	}
	switch {
	case !s.USBLost.IsZero():
		text := told("The USB watch has failed since "+c.at(s.USBLost), s.USBError) + "."
		out = append(out, Trouble{Action, "No USB", text})
	case s.USBError != "":
		out = append(out, Trouble{Neutral, "", told("The USB watch complains", s.USBError) + "."})
	}
	return out
}

func unproven(s *bench.Snapshot) string {
	if s.Run == nil {
		return ""
	}
	return "; the run goes on unproven"
}
