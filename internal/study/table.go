package study

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"benchvigil/internal/bench"
)

// goal is one of the promises, and how it was kept.
type goal struct {
	name, target string
	value        func(*Tally) string
	kept         func(*Tally) bool
	asked        func(*Tally) bool // there was anything to judge by
}

func (g *goal) verdict(y *Tally) string {
	switch {
	case !g.asked(y):
		return "–"
	case g.kept(y):
		return "kept"
	}
	return "NOT KEPT"
}

var goals = []goal{
	{
		"drop told after it, 10 readings/s, p99", "≤ 1.0 s",
		func(y *Tally) string { return delays(&y.Delay) },
		func(y *Tally) bool { return y.Delay.summary().P99 <= 1.0 },
		func(y *Tally) bool { return y.Delay.summary().N > 0 },
	},
	{
		"drops missed, of those an instrument showed", "0",
		func(y *Tally) string { return fmt.Sprintf("%d of %d", y.Missed, y.Drops) },
		func(y *Tally) bool { return y.Missed == 0 },
		func(y *Tally) bool { return y.Drops > 0 },
	},
	{
		"false drops in 1,000 station-hours", "≤ 1",
		func(y *Tally) string { return rate(y.FalseDrops, y.Hours/1000) },
		func(y *Tally) bool { return float64(y.FalseDrops) <= y.Hours/1000 },
		func(y *Tally) bool { return y.Hours > 0 },
	},
	{
		"stall told beyond the quiet limit, p95", "≤ 30 s",
		func(y *Tally) string { return delays(&y.StallDelay) },
		func(y *Tally) bool { return y.StallDelay.summary().P95 <= 30 },
		func(y *Tally) bool { return y.StallDelay.summary().N > 0 },
	},
	{
		"stalls missed", "0",
		func(y *Tally) string { return fmt.Sprintf("%d of %d", y.MissedStalls, y.Stalls) },
		func(y *Tally) bool { return y.MissedStalls == 0 },
		func(y *Tally) bool { return y.Stalls > 0 },
	},
	{
		"false stalls in 500 restore-hours", "≤ 1",
		func(y *Tally) string { return rate(y.FalseStalls, y.RestoreHours/500) },
		func(y *Tally) bool { return float64(y.FalseStalls) <= y.RestoreHours/500 },
		func(y *Tally) bool { return y.RestoreHours > 0 },
	},
	{
		"mode right, 2 s and more from a change", "≥ 99 %",
		func(y *Tally) string { return percent(y.right()) },
		func(y *Tally) bool { return y.right() >= 0.99 },
		func(y *Tally) bool { return len(y.Modes) > 0 },
	},
}

// others are counts without a target of their own.
var others = []goal{
	{name: "false stalls in re-pairing", value: func(y *Tally) string { return rate(y.FalseRePairStalls, y.RePairHours/500) + " in 500 h" }},
	{name: "stalls said to be over that were not; raised again", value: func(y *Tally) string {
		return count(y.ClearsFalse, y.Stalls) + "; " + fmt.Sprint(y.StallFlaps)
	}},
	{name: "drop told, 50 readings/s", value: func(y *Tally) string { return delays(&y.FastDelay) }},
	{name: "drop told, 2 readings/s", value: func(y *Tally) string { return delays(&y.SlowDelay) }},
	{name: "drop told by the bus alone, beyond the gap", value: func(y *Tally) string { return delays(&y.LinkDelay) }},
	{name: "restarts with power held not told", value: func(y *Tally) string { return count(y.HeldMissed, y.Held) }},
	{name: "restart with power held told", value: func(y *Tally) string { return delays(&y.HeldDelay) }},
	{name: "time of a drop off by", value: func(y *Tally) string { return delays(&y.TimeError) }},
	{name: "drops of a wrong kind", value: func(y *Tally) string { return count(y.WrongKind, y.Drops+y.Held) }},
	{name: "starts of runs missed; false", value: func(y *Tally) string { return count(y.RunsMissed, y.Runs) + "; " + fmt.Sprint(y.RunsFalse) }},
	{name: "windows met and not said", value: func(y *Tally) string { return count(y.WindowsMissed, y.Windows) }},
	{name: "windows wrongly said to be met", value: func(y *Tally) string { return fmt.Sprint(y.WindowsWrong) }},
	{name: "hung starts missed; false", value: func(y *Tally) string { return count(y.HungMissed, y.Hung) + "; " + fmt.Sprint(y.HungFalse) }},
	{name: "planned restarts not told as such", value: func(y *Tally) string { return count(y.RestartsMissed, y.Restarts) }},
	{name: "timers not found; drops wrongly said to be regular", value: func(y *Tally) string {
		return count(y.RegularMissed, y.Regular) + "; " + fmt.Sprint(y.RegularFalse)
	}},
	{name: "stops not told as such", value: func(y *Tally) string { return count(y.StopsMissed, y.Stops) }},
	{name: "drifts not told; false alarms", value: func(y *Tally) string {
		return count(y.DriftsMissed, y.Drifts) + "; " + rate(y.DriftsFalse, y.Hours/1000) + " in 1,000 h"
	}},
	{name: "leaks in standby not told; false alarms", value: func(y *Tally) string { return count(y.LeaksMissed, y.Leaks) + "; " + fmt.Sprint(y.HighsFalse) }},
	{name: "collapses at the supply's limit not told; false alarms", value: func(y *Tally) string {
		return count(y.CollapsesMissed, y.Collapses) + "; " + fmt.Sprint(y.CollapsesFalse)
	}},
}

// Table writes the result as Markdown, beside an earlier one of the same seeds
// if there is one.
func (r *Result) Table(w io.Writer, first *Result) {
	t := &printer{w: w}
	y := r.Overall
	t.line("%.0f station-hours, %.0f of them restoring, %.1f million observations; seeds: %s.", y.Hours, y.RestoreHours, float64(r.Observations)/1e6, r.Seeds)
	if first != nil {
		t.line("First cut: %s, %.0f station-hours, seeds: %s.", first.Of, first.Overall.Hours, first.Seeds)
	}
	t.line("")
	t.line("| measure | target | now | | first cut |")
	t.line("|---|---|---|---|---|")
	for _, g := range goals {
		t.line("| %s | %s | %s | %s | %s |", g.name, g.target, g.value(y), g.verdict(y), was(first, g.value))
	}
	for _, g := range others {
		t.line("| %s | | %s | | %s |", g.name, g.value(y), was(first, g.value))
	}
	r.byScenario(t, first)
	r.byCondition(t)
	r.confusion(t)
	r.kinds(t)
}

func was(first *Result, value func(*Tally) string) string {
	if first == nil {
		return ""
	}
	return value(first.Overall)
}

func (r *Result) byScenario(t *printer, first *Result) {
	t.line("")
	t.line("By scenario; in brackets the first cut. Delays p50 / p95 / p99 at 10 readings/s, stalls p95 beyond the quiet limit.")
	t.line("")
	t.line("| scenario | hours | drops | told after, s | missed | false | stalls | p95, s | missed | false | windows wrong | mode right |")
	t.line("|---|---|---|---|---|---|---|---|---|---|---|---|")
	for _, o := range r.Scenarios {
		f := first.of(o.Name)
		d := o.Delay.summary()
		told := "–"
		if d.N > 0 {
			told = fmt.Sprintf("%.2f / %.2f / %.2f", d.P50, d.P95, d.P99)
		}
		stall := "–"
		if s := o.StallDelay.summary(); s.N > 0 {
			stall = fmt.Sprintf("%.1f", s.P95)
		}
		t.line("| %s | %.0f | %d | %s | %s | %s | %d | %s | %s | %s | %s | %s |", o.Name, o.Hours, o.Drops, told,
			both(o.Missed, f, func(y *Tally) int { return y.Missed }),
			both(o.FalseDrops, f, func(y *Tally) int { return y.FalseDrops }),
			o.Stalls, stall,
			both(o.MissedStalls, f, func(y *Tally) int { return y.MissedStalls }),
			both(o.FalseStalls+o.FalseRePairStalls, f, func(y *Tally) int { return y.FalseStalls + y.FalseRePairStalls }),
			both(o.WindowsMissed+o.WindowsWrong, f, func(y *Tally) int { return y.WindowsMissed + y.WindowsWrong }),
			bothPercent(o.Tally, f))
	}
}

// byCondition is the same hours again, by instrument and noise.
func (r *Result) byCondition(t *printer) {
	t.line("")
	t.line("The same hours by instrument and noise. Delays of all drops that the current shows, p50 / p95 / p99.")
	t.line("")
	t.line("| watched with | hours | drops | told after, s | missed | false | stalls | missed | false | mode right |")
	t.line("|---|---|---|---|---|---|---|---|---|---|")
	for _, o := range r.Conditions {
		told := "–"
		if o.EveryDelay.summary().N > 0 {
			d := o.EveryDelay.summary()
			told = fmt.Sprintf("%.2f / %.2f / %.2f", d.P50, d.P95, d.P99)
		}
		t.line("| %s | %.0f | %d | %s | %d | %d | %d | %d | %d | %s |", o.Name, o.Hours, o.Drops, told, o.Missed, o.FalseDrops,
			o.Stalls, o.MissedStalls, o.FalseStalls+o.FalseRePairStalls, percent(o.right()))
	}
}

// of finds a scenario's outcome; nil where there is none.
func (r *Result) of(name string) *Tally {
	if r == nil {
		return nil
	}
	for _, o := range r.Scenarios {
		if o.Name == name {
			return o.Tally
		}
	}
	return nil
}

func both(now int, first *Tally, value func(*Tally) int) string {
	if first == nil {
		return fmt.Sprint(now)
	}
	return fmt.Sprintf("%d (%d)", now, value(first))
}

func bothPercent(now, first *Tally) string {
	if first == nil {
		return percent(now.right())
	}
	return percent(now.right()) + " (" + percent(first.right()) + ")"
}

// confusion is the time in each true mode (rows) by the mode shown (columns),
// in per cent of the row.
func (r *Result) confusion(t *printer) {
	var modes []string
	for _, m := range bench.Modes() {
		modes = append(modes, string(m))
	}
	t.line("")
	t.line("Modes: share of the time in the true mode (row) in which another was shown (column), 2 s and more from a change.")
	t.line("")
	t.line("| true | hours | %s |", strings.Join(modes, " | "))
	t.line("|---|---|%s", strings.Repeat("---|", len(modes)))
	for _, m := range modes {
		row, sum := make([]float64, len(modes)), 0.0
		for k, v := range r.Overall.Modes {
			if k.True == m {
				row[slices.Index(modes, k.Told)] += v
				sum += v
			}
		}
		if sum == 0 {
			continue
		}
		cells := make([]string, len(modes))
		for i, v := range row {
			if cells[i] = percent(v / sum); v == 0 {
				cells[i] = ""
			}
		}
		t.line("| %s | %.1f | %s |", m, sum/3600, strings.Join(cells, " | "))
	}
}

// kinds is how drops were called.
func (r *Result) kinds(t *printer) {
	t.line("")
	t.line("Kinds of drops, true > told. An interruption of about a second is rightly called either reset or died.")
	var words []string
	for _, k := range sortedPairs(r.Overall.Kinds) {
		words = append(words, fmt.Sprintf("%s > %s: %d", k.True, k.Told, r.Overall.Kinds[k]))
	}
	t.line("%s.", strings.Join(words, "; "))
}

type printer struct{ w io.Writer }

func (p *printer) line(format string, args ...any) { fmt.Fprintf(p.w, format+"\n", args...) }

func delays(s *sample) string {
	d := s.summary()
	if d.N == 0 {
		return "–"
	}
	return fmt.Sprintf("%.2f s (p50 %.2f, p95 %.2f, most %.2f; %d)", d.P99, d.P50, d.P95, d.Max, d.N)
}

// rate is a count against an amount of exposure, with 95 % limits.
func rate(n int, exposure float64) string {
	if exposure <= 0 {
		return "–"
	}
	low, high := poisson(n)
	return fmt.Sprintf("%.2f (%d; 95 %%: %.2f–%.2f)", float64(n)/exposure, n, low/exposure, high/exposure)
}

func count(n, of int) string { return fmt.Sprintf("%d of %d", n, of) }

func percent(x float64) string {
	if math.IsNaN(x) {
		return "–"
	}
	return fmt.Sprintf("%.2f %%", 100*x)
}
