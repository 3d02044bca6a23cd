package web

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"benchvigil/internal/bench"
)

// span prints a length of time as people say it: "42 s", "3 min 05 s",
// "2 h 05 min".
func span(d time.Duration) string {
	d = max(d, 0)
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%d s", d/time.Second)
	case d < time.Hour:
		return fmt.Sprintf("%d min %02d s", d/time.Minute, d%time.Minute/time.Second)
	}
	return fmt.Sprintf("%d h %02d min", d/time.Hour, d%time.Hour/time.Minute)
}

// clock prints times of day as seen from a moment: with the date where it is
// not the same day.
type clock struct {
	zone *time.Location
	now  time.Time
}

func (c clock) at(t time.Time) string {
	t = t.In(c.zone)
	y, m, d := c.now.In(c.zone).Date()
	if ty, tm, td := t.Date(); ty == y && tm == m && td == d {
		return t.Format(time.TimeOnly)
	}
	return t.Format("2 Jan 15:04:05")
}

// minute is a time of day without its seconds, for what is only expected.
func (c clock) minute(t time.Time) string { return t.In(c.zone).Format("15:04") }

// capital makes the first letter a capital, as at the start of a line.
func capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}

// uncapital makes the first letter a small one, as within a line.
func uncapital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToLower(r)) + s[n:]
}

// several counts things: "no drops", "1 drop", "5 drops".
func several(n uint64, one, many string) string {
	switch n {
	case 0:
		return "no " + many
	case 1:
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// ending says in plain words how a run ended, from the kind of its drop or
// stop.
func ending(kind string) string {
	switch kind {
	case bench.Died:
		return ", stayed off"
	case bench.Reset:
		return ", came back by itself"
	case bench.BrownOut:
		return ", the supply sagged or hit its limit"
	case bench.LinkLost:
		return ", left USB with no readings to ask"
	case bench.StoppedByOutput:
		return ", the supply's output was switched off"
	case bench.StoppedByHands:
		return ", while hands were on it"
	}
	return ""
}

// soonBack says that a board came up again at once.
func soonBack(after time.Duration) string {
	return ", up again after " + span(max(after.Round(time.Second), time.Second))
}

// told joins a sentence and its explanation, which may be missing.
func told(sentence, why string) string {
	if why == "" {
		return sentence
	}
	return sentence + ": " + strings.TrimRight(why, ". ")
}

// sentence says an event in plain words, without its time.
func sentence(e bench.Event) string {
	d := e.Data
	switch e.Type {
	case bench.ModeChanged:
		return modeSentence(d)
	case bench.RunStarted:
		if d.Kind == bench.Resumed {
			return "The stop was a mistake, the run goes on" + by(d)
		}
		if d.Kind == bench.Unproven {
			return "Another run: nothing shows that the one before went on while benchvigil was stopped"
		}
		if d.Assumed {
			return "Run goes on: it was already up at first sight"
		}
		return "Run started"
	case bench.RunRestarted:
		return "Restarted as expected, the run goes on"
	case bench.RunDown:
		return told("Going down", first(d.Why))
	case bench.RunUnwatched:
		if d.Kind == bench.SameRun {
			return "The run went on while benchvigil was stopped"
		}
		return "The run is taken to have gone on while benchvigil was stopped"
	case bench.RunDropped:
		return "Dropped" + after(d) + ending(d.Kind)
	case bench.RunStopped:
		return "Stopped" + by(d) + after(d) + ending(d.Kind)
	case bench.RunReclassified:
		return "The drop was a stop" + by(d)
	case bench.RunRegular:
		return told("Drops come at nearly the same time", first(d.Why))
	case bench.WindowMet:
		return "Window" + of(d) + " met"
	case bench.WindowMissed:
		return "Window" + of(d) + " missed"
	case bench.StartHung:
		return told("Start hung", first(d.Why))
	case bench.StallRaised:
		return told("Stalled", first(d.Why))
	case bench.StallCleared:
		if d.Kind == bench.Unproven {
			return "No longer stalled: another run began while nobody watched"
		}
		return "Moves again"
	case bench.CurrentHigh:
		return told(highWords(d.Kind), first(d.Why))
	case bench.CurrentDrifting:
		return told("The current drifts", first(d.Why))
	case bench.CurrentCollapsed:
		return told("The volts sagged", first(d.Why))
	case bench.SupplyLost:
		return "No more readings from the supply"
	case bench.SupplyBack:
		return "Readings are back"
	case bench.USBLost:
		return told("The USB watch failed", first(d.Why))
	case bench.USBBack:
		return "The USB watch works again"
	case bench.WatchArmed, bench.WatchDone, bench.WatchFailed:
		return watchSentence(e)
	}
	return strings.TrimPrefix(string(e.Type), "benchvigil.")
}

func highWords(kind string) string {
	if kind == bench.Leak {
		return "Leak"
	}
	return "High current"
}

func modeSentence(d bench.EventData) string {
	if d.From == "" || d.From == bench.Unknown {
		return capital(string(d.To))
	}
	return fmt.Sprintf("%s, after %s", capital(string(d.To)), d.From)
}

func after(d bench.EventData) string {
	if up, ok := d.Uptime.Get(); ok {
		return " after " + span(up)
	}
	return ""
}

func of(d bench.EventData) string {
	if w, ok := d.Window.Get(); ok {
		return " of " + span(w)
	}
	return ""
}

func by(d bench.EventData) string {
	if d.By == "" {
		return ""
	}
	return " by " + d.By
}

func first(why []string) string {
	if len(why) == 0 {
		return ""
	}
	return why[0]
}
