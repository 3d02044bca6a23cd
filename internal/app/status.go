package app

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"benchvigil/internal/api"
	"benchvigil/internal/bench"
)

func table(w io.Writer, stations []api.Status) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "STATION\tNAME\tMODE\tUP\tWINDOW\tCURRENT\tVOLTS\tUSB\tLAST MARK\tAHEAD\tATTENTION") //nolint:errcheck // Flush tells
	for _, s := range stations {
		fmt.Fprintln(t, strings.Join([]string{ //nolint:errcheck // Flush tells
			s.Station, s.Name, s.Label, uptimeWords(s), windowWords(s), ampsWords(s), voltsWords(s), usbWords(s), markWords(s.LastMark), aheadWords(s), strings.Join(attention(s), "; "),
		}, "\t"))
	}
	return t.Flush()
}

// aheadWords says what can be expected: how long the work still takes, and
// whether the board will stay up.
func aheadWords(s api.Status) string {
	var said []string
	if s.Needs != nil && s.Needs.Text != "" {
		said = append(said, s.Needs.Text)
	}
	if s.Odds != nil {
		said = append(said, s.Odds.Text)
	}
	if len(said) == 0 {
		return "-"
	}
	return strings.Join(said, "; ")
}

// uptimeWords is how long the run has gone on, or how long it surely has.
func uptimeWords(s api.Status) string {
	switch {
	case s.Run == nil:
		return "-"
	case !s.Run.SureFrom.IsZero():
		return "> " + clock(s.At.Sub(s.Run.SureFrom).Seconds())
	case s.Run.Assumed:
		return "> " + clock(s.Run.UptimeS)
	}
	return clock(s.Run.UptimeS)
}

// windowWords says how far the window is, counted from its origin.
func windowWords(s api.Status) string {
	switch {
	case s.Run == nil:
		return clock(s.WindowS)
	case !s.Run.WindowMet.IsZero():
		return clock(s.WindowS) + " met"
	case s.Run.Origin.IsZero():
		return clock(s.WindowS) + " not begun"
	}
	return progress(s.At.Sub(s.Run.Origin).Seconds(), s.WindowS)
}

func ampsWords(s api.Status) string {
	if s.Reading == nil {
		return "-"
	}
	a, ok := s.Reading.Amps.Get()
	switch {
	case !ok:
		return "-"
	case !s.SupplyLostSince.IsZero():
		return fmt.Sprintf("- (%v %s ago)", a, ago(s.At.Sub(s.Reading.At)))
	}
	return a.String()
}

func voltsWords(s api.Status) string {
	if s.Reading == nil || !s.SupplyLostSince.IsZero() {
		return "-"
	}
	if v, ok := s.Reading.Volts.Get(); ok {
		return v.String()
	}
	return "-"
}

// usbWords is the identity on the port, where there is one.
func usbWords(s api.Status) string {
	if s.USB == nil || !s.USB.Present {
		return "-"
	}
	return s.USB.ID
}

// mostWords is how much of a mark's text stands in the table, in letters.
const mostWords = 40

// markWords is what somebody said last, who and when.
func markWords(m *api.Noted) string {
	if m == nil {
		return "-"
	}
	text := m.Kind
	if m.Text != "" {
		text += ": " + strings.Join(strings.Fields(m.Text), " ")
	}
	if r := []rune(text); len(r) > mostWords {
		text = string(r[:mostWords-1]) + "…"
	}
	if m.By != "" {
		text += ", " + m.By
	}
	return text + " at " + at(m.At)
}

// attention lists what somebody should know, the worst first.
func attention(s api.Status) (out []string) {
	add := func(when bool, format string, args ...any) {
		if when {
			out = append(out, fmt.Sprintf(format, args...))
		}
	}
	add(s.Run != nil && s.Run.Suspect, "a drop is suspected")
	add(lastRunCounts(s) && s.LastRun.EndedAs == bench.RunDropped, "%s", lastRunWords(s))
	add(!s.StalledSince.IsZero(), "stalled since %s", at(s.StalledSince))
	add(s.StartHung, "the start hangs")
	goal, _, state := watchWords(s)
	failed := s.Watch == nil && s.LastWatch != nil && s.LastWatch.EndedAs == bench.WatchFailed
	add(failed, "goal %s: %s", goal, state)
	add(lastRunCounts(s) && s.LastRun.EndedAs != bench.RunDropped, "%s", lastRunWords(s))
	add(s.Waiting, "%s", waitingWords(s))
	add(s.Forgotten != nil && s.Watch == nil && s.LastWatch == nil, "goal %s: %s", goal, state)
	if c := s.Current; c != nil {
		add(!c.High.IsZero() && c.HighKind == bench.Leak, "leak in standby since %s", at(c.High))
		add(!c.High.IsZero() && c.HighKind != bench.Leak, "current above its limit since %s", at(c.High))
		add(!c.Collapsed.IsZero(), "volts sagged at the supply's limit at %s", at(c.Collapsed))
		add(!c.Drifting.IsZero(), "current drifting, told at %s", at(c.Drifting))
	}
	if u := s.USB; u != nil && u.Overdue {
		add(true, "USB gone since %s, the current still flows: is the cable out?", at(u.Gone))
	}
	add(!s.SupplyLostSince.IsZero(), "supply silent since %s%s", at(s.SupplyLostSince), because(s.SupplyError))
	add(s.SupplyLostSince.IsZero() && s.SupplyError != "", "supply: %s", s.SupplyError)
	add(!s.USBLostSince.IsZero(), "USB watch failed since %s%s", at(s.USBLostSince), because(s.USBError))
	if g := s.Unwatched; g != nil {
		add(true, "not watched for %s until %s, while benchvigil was stopped: %s", clock(g.To.Sub(g.From).Seconds()), at(g.To), g.Why)
	}
	add(!s.HandsOnUntil.IsZero(), "hands on until %s", at(s.HandsOnUntil))
	add(!failed && (s.Watch != nil || s.LastWatch != nil), "goal %s: %s", goal, state)
	return out
}

// lastRunCounts reports that how the last run ended still matters: nothing runs
// since, or it dropped and what runs has not met its window.
func lastRunCounts(s api.Status) bool {
	if s.LastRun == nil || s.Run == nil {
		return s.LastRun != nil
	}
	return s.LastRun.EndedAs == bench.RunDropped && s.Run.WindowMet.IsZero()
}

func lastRunWords(s api.Status) string {
	l := s.LastRun
	if l == nil {
		return ""
	}
	when := fmt.Sprintf(" at %s after %s (%s)", at(l.End), clock(l.UptimeS), l.Kind)
	if gap, soon := upAgain(s); soon {
		when = fmt.Sprintf(" at %s after %s, up again after %s", at(l.End), clock(l.UptimeS), ago(max(gap, time.Second)))
	} else if s.Run != nil && l.EndedAs == bench.RunDropped {
		when += ", up again"
	}
	if l.EndedAs != bench.RunDropped {
		return "stopped" + when
	}
	if s.WindowS > 0 && l.WindowMet.IsZero() {
		when += ", window missed"
	}
	return "dropped" + when
}

// upAgain is how soon the board came up again after a drop.
func upAgain(s api.Status) (time.Duration, bool) {
	if s.Run == nil || s.LastRun == nil {
		return 0, false
	}
	l := bench.RunView{End: s.LastRun.End, EndedAs: s.LastRun.EndedAs, Kind: s.LastRun.Kind}
	return l.BackAfter(s.Run.Start)
}

// waitingWords says what a board waits for that was stopped.
func waitingWords(s api.Status) string {
	if s.StillPowered {
		return "stopped, still powered: nobody watches it. The next run starts after off was seen; mark resume if the stop was a mistake"
	}
	return "stopped: the next run starts after off was seen"
}

func because(text string) string {
	if text == "" {
		return ""
	}
	return ": " + text
}

func at(t time.Time) string { return t.Local().Format("15:04:05") }

// ago prints how old something is, in seconds or as clock does.
func ago(d time.Duration) string {
	if d < time.Minute {
		return fmt.Sprintf("%.0f s", d.Seconds())
	}
	return clock(d.Seconds())
}

// progress prints how much of a time is over, both in the same fields.
func progress(spent, whole float64) string {
	text := clock(spent)
	if whole >= 3600 && spent < 3600 {
		text = fmt.Sprintf("0:%02d:%02d", int(max(spent, 0))/60, int(max(spent, 0))%60)
	}
	return text + " of " + clock(whole)
}

// clock prints seconds as h:mm:ss or m:ss.
func clock(s float64) string {
	d := time.Duration(max(s, 0)) * time.Second
	if d >= time.Hour {
		return fmt.Sprintf("%d:%02d:%02d", d/time.Hour, d%time.Hour/time.Minute, d%time.Minute/time.Second)
	}
	return fmt.Sprintf("%d:%02d", d/time.Minute, d%time.Minute/time.Second)
}
