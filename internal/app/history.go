package app

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"text/tabwriter"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/chart"
	"benchvigil/internal/ledger"
)

// HistoryOptions say which runs and watches to list, and how.
type HistoryOptions struct {
	DataOptions
	Station  string
	From, To time.Time // zero: open
	Outcome  string
	Form     HistoryForm
}

// HistoryForm is how the history is printed.
type HistoryForm int

// The forms.
const (
	HistoryTable HistoryForm = iota
	HistoryJSON              // one object a line
	HistoryCSV
)

// chapter is a run or a watch in the history.
type chapter struct {
	What     string  `json:"what"` // run or watch
	Station  string  `json:"station"`
	From     string  `json:"from"`
	To       string  `json:"to,omitempty"`
	LastedS  float64 `json:"lasted_s,omitempty"`
	Outcome  string  `json:"outcome"`
	Kind     string  `json:"kind,omitempty"`
	Goal     string  `json:"goal,omitempty"` // of a watch
	By       string  `json:"by,omitempty"`
	Profile  string  `json:"profile,omitempty"` // of a run, as all below
	Hookup   int     `json:"hookup,omitempty"`
	Assumed  bool    `json:"assumed,omitempty"`
	WindowS  float64 `json:"window_s,omitempty"`
	Met      string  `json:"window_met,omitempty"`
	Restarts int     `json:"restarts,omitempty"`
	Stalls   int     `json:"stalls,omitempty"`

	from time.Time
}

// History prints runs and watches, by when they began.
func History(ctx context.Context, o HistoryOptions) error {
	var all []chapter
	if err := reading(ctx, o.Data, func(r *ledger.Reader) (err error) {
		all, err = chapters(ctx, r, ledger.Query{Station: o.Station, From: o.From, To: o.To, Outcome: o.Outcome})
		return err
	}); err != nil {
		return err
	}
	switch o.Form {
	case HistoryJSON:
		return writeJSON(o.Out, all)
	case HistoryCSV:
		return writeCSV(o.Out, all)
	}
	return writeTable(o.Out, all)
}

func chapters(ctx context.Context, r *ledger.Reader, q ledger.Query) (all []chapter, err error) {
	for run, err := range r.Runs(ctx, q) {
		if err != nil {
			return nil, fmt.Errorf("%w: read runs: %w", ErrLedger, err)
		}
		all = append(all, runChapter(runRow(&run, time.Now())))
	}
	for w, err := range r.Watches(ctx, q) {
		if err != nil {
			return nil, fmt.Errorf("%w: read watches: %w", ErrLedger, err)
		}
		all = append(all, watchChapter(watchRow(&w)))
	}
	slices.SortStableFunc(all, func(a, b chapter) int { return a.from.Compare(b.from) })
	return all, nil
}

func runChapter(r chart.RunRow) chapter {
	return chapter{
		What: "run", Station: r.Station, From: written(r.Began), To: written(r.Ended), LastedS: r.LastedS,
		Outcome: r.Outcome, Kind: r.Kind, Profile: r.Profile, Hookup: r.Hookup, Assumed: r.Assumed,
		WindowS: r.WindowS, Met: written(r.WindowMet), Restarts: r.Restarts, Stalls: r.Stalls, from: r.Began,
	}
}

func watchChapter(w chart.WatchRow) chapter {
	return chapter{
		What: "watch", Station: w.Station, From: written(w.Armed), To: written(w.Ended), LastedS: w.LastedS, Outcome: w.Outcome, Kind: w.Kind,
		Goal: w.Goal, By: w.By, from: w.Armed,
	}
}

func written(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(bench.TimeFormat)
}

func writeJSON(w io.Writer, all []chapter) error {
	enc := json.NewEncoder(w)
	for _, c := range all {
		if err := enc.Encode(c); err != nil {
			return err
		}
	}
	return nil
}

func writeCSV(w io.Writer, all []chapter) error {
	out := csv.NewWriter(w)
	lines := [][]string{{
		"what", "station", "from", "to", "lasted_s", "outcome", "kind", "goal", "by", "profile", "hookup", "assumed",
		"window_s", "window_met", "restarts", "stalls",
	}}
	for _, c := range all {
		lines = append(lines, []string{
			c.What, c.Station, c.From, c.To, decimal(c.LastedS), c.Outcome, c.Kind, c.Goal, c.By, c.Profile, strconv.Itoa(c.Hookup),
			strconv.FormatBool(c.Assumed), decimal(c.WindowS), c.Met, strconv.Itoa(c.Restarts), strconv.Itoa(c.Stalls),
		})
	}
	return out.WriteAll(lines)
}

func decimal(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

func writeTable(w io.Writer, all []chapter) error {
	out := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(out, "BEGAN\tSTATION\tWHAT\tLASTED\tOUTCOME\t") //nolint:errcheck // Flush tells
	for _, c := range all {
		lasted := "-"
		if c.To != "" {
			lasted = (time.Duration(c.LastedS*1000) * time.Millisecond).Round(time.Second).String()
		}
		fmt.Fprintf(out, "%s\t%s\t%s\t%s\t%s\t\n", c.from.Local().Format(time.DateTime), c.Station, c.what(), lasted, c.outcome()) //nolint:errcheck // Flush tells
	}
	return out.Flush()
}

func (c *chapter) what() string {
	if c.Goal != "" {
		return c.What + ": " + c.Goal
	}
	return c.What
}

func (c *chapter) outcome() string {
	text := c.Outcome
	if c.Kind != "" {
		text += " (" + c.Kind + ")"
	}
	switch {
	case c.Met != "":
		text += ", window met"
	case c.WindowS > 0:
		text += ", window missed"
	}
	return text
}
