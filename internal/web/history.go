package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchvigil/internal/chart"
	"benchvigil/internal/logkey"
)

// History is the page of what was: runs or watches, as a filter picks them.
type History struct {
	Look
	Kept     bool // there is a ledger
	Filter   Filter
	Stations []Option
	Outcomes []Option
	Trouble  []string // what is wrong with the filter, or cannot be said
	Runs     []PastRow
	Watches  []PastRow
	Sums     []Sum
	Whole    string // the address with no filter
	Older    string // the address of the page after this one; empty: there is none
	Newest   string // the address of the first page; empty: this is it
	Table    string // the address of the same as CSV
}

// Filter is what was asked for, as it was typed.
type Filter struct {
	Show    string // runs or watches
	Station string
	Case    string
	Outcome string
	From    string // days of the bench, 2006-01-02
	To      string
	cursor  string
}

// Option is a choice of a list.
type Option struct{ Value, Text string }

// Sum is one figure over all that the filter picks.
type Sum struct{ What, Value string }

// PastRow is a run or a watch in a table.
type PastRow struct {
	ID       string
	Station  string
	Case     string
	Began    string
	Lasted   string
	Outcome  string
	Severity Severity
	Window   string
	Hookup   string // which one of its station
	Goal     string
	By       string
	Chart    string // the address that shows it in the chart; empty: there is none any more
}

// What a page of the past shows.
const (
	showRuns    = "runs"
	showWatches = "watches"
)

const dayForm = "2006-01-02"

func (s *Site) serveHistory(w http.ResponseWriter, r *http.Request) {
	h := s.historyOf(r)
	code := http.StatusOK
	q, wrong := h.Filter.query(s.o.Zone)
	switch {
	case len(wrong) > 0:
		h.Trouble, code = wrong, http.StatusUnprocessableEntity
	case h.Kept:
		ctx, cancel := context.WithTimeout(r.Context(), askPast)
		defer cancel()
		s.list(ctx, &h, q)
	}
	s.serve(w, code, historyPage(&h))
}

// historyOf is the page without its rows.
func (s *Site) historyOf(r *http.Request) History {
	l := s.lookOf(r)
	l.Title, l.Sheets, l.Scripts = "History · "+l.Bench, []string{"station.css", "history.css"}, []string{"history.js"}
	h := History{Look: l, Kept: s.o.Past != nil, Filter: filterOf(r.URL.Query()), Whole: "/history"}
	h.Stations = l.stationOptions(h.Filter.Station)
	h.Outcomes = outcomesOf(h.Filter.Show)
	if h.Filter.Show == showWatches {
		h.Whole += "?show=" + showWatches
	}
	h.Table = "/history.csv?" + h.Filter.encode("")
	return h
}

func filterOf(v url.Values) Filter {
	get := func(name string) string { return strings.TrimSpace(v.Get(name)) }
	return Filter{
		Show: cmp.Or(get("show"), showRuns), Station: get("station"), Case: get("case"), Outcome: get("outcome"),
		From: get("from"), To: get("to"), cursor: get("cursor"),
	}
}

// encode is the filter in an address, without what is empty.
func (f *Filter) encode(cursor string) string {
	return encode(map[string]string{
		"show": f.Show, "station": f.Station, "case": f.Case, "outcome": f.Outcome, "from": f.From, "to": f.To, "cursor": cursor,
	})
}

func encode(fields map[string]string) string {
	v := url.Values{}
	for name, value := range fields {
		if value != "" {
			v.Set(name, value)
		}
	}
	return v.Encode()
}

// query is what the ledger is asked, and what is wrong with the filter.
func (f *Filter) query(zone *time.Location) (q chart.HistoryQuery, wrong []string) {
	day := func(name, text string) time.Time {
		t, err := time.ParseInLocation(dayForm, text, zone)
		if err != nil && text != "" {
			wrong = append(wrong, fmt.Sprintf("%s: %.20q is no day. Write it as 2026-03-31.", name, text))
		}
		return t
	}
	q = chart.HistoryQuery{Station: f.Station, Case: f.Case, Outcome: f.Outcome, From: day("From", f.From), To: day("To", f.To), Cursor: f.cursor}
	if !q.To.IsZero() {
		q.To = q.To.AddDate(0, 0, 1).Add(-time.Millisecond) // to the end of that day
		if q.To.Before(q.From) {
			wrong = append(wrong, "From and To: the first day is after the last one. Exchange them.")
		}
	}
	if f.Show != showRuns && f.Show != showWatches {
		wrong = append(wrong, fmt.Sprintf("Show: %.20q is neither %s nor %s. Choose one of the two.", f.Show, showRuns, showWatches))
	} else if !slices.ContainsFunc(outcomesOf(f.Show), func(o Option) bool { return o.Value == f.Outcome }) {
		wrong = append(wrong, fmt.Sprintf("Ended: %.20q is none of the list. Choose one of it.", f.Outcome))
	}
	if f.cursor != "" {
		if _, err := chart.ParseCursor(f.cursor); err != nil {
			wrong = append(wrong, fmt.Sprintf("Page: %.20q is no place in the list. Press Show, and go on by Older.", f.cursor))
		}
	}
	return q, wrong
}

// outcomesOf are the ways to end that can be picked.
func outcomesOf(show string) []Option {
	if show == showWatches {
		return []Option{{"", "Any way"}, {"armed", "Armed still"}, {"done", "Goal reached"}, {"failed", "Goal missed"}}
	}
	return []Option{{"", "Any way"}, {"running", "Goes on"}, {"dropped", "Dropped"}, {"stopped", "Stopped"}, {"unseen", "Nobody saw the end"}}
}

// stationOptions are the stations of the bench, and the one asked for.
func (l *Look) stationOptions(asked string) []Option {
	out := []Option{{"", "All"}}
	for i := range l.Grid.Tiles {
		out = append(out, Option{l.Grid.Tiles[i].Station, l.Grid.Tiles[i].Name})
	}
	if !slices.ContainsFunc(out, func(o Option) bool { return o.Value == asked }) {
		out = append(out, Option{asked, asked + " (not on the bench now)"})
	}
	return out
}

// list fills in the rows and the sums.
func (s *Site) list(ctx context.Context, h *History, q chart.HistoryQuery) {
	c := clock{s.o.Zone, h.at}
	onBench := func(station string) bool {
		return slices.ContainsFunc(h.Stations, func(o Option) bool { return o.Value == station && !strings.HasSuffix(o.Text, ")") })
	}
	var next string
	if h.Filter.Show == showWatches {
		p, err := s.o.Past.Watches(ctx, q)
		s.toldOf(h, "The watches", err)
		for i := range p.Items {
			h.Watches = append(h.Watches, watchLine(&p.Items[i], c, onBench(p.Items[i].Station)))
		}
		next = p.Next
	} else {
		p, err := s.o.Past.Runs(ctx, q)
		if s.toldOf(h, "The runs", err) {
			t, err := s.o.Past.Totals(ctx, q)
			s.toldOf(h, "The sums", err)
			h.Sums = sums(&t)
		}
		for i := range p.Items {
			h.Runs = append(h.Runs, runLine(&p.Items[i], c, onBench(p.Items[i].Station)))
		}
		next = p.Next
	}
	if next != "" {
		h.Older = "/history?" + h.Filter.encode(next)
	}
	if h.Filter.cursor != "" {
		h.Newest = "/history?" + h.Filter.encode("")
	}
}

// toldOf reports that there is an answer, and notes why there is none.
func (s *Site) toldOf(h *History, what string, err error) bool {
	if err != nil {
		h.Trouble = append(h.Trouble, what+": "+s.whyNot(err))
	}
	return err == nil
}

// whyNot is what people are told of an error of the past.
func (s *Site) whyNot(err error) string {
	if errors.Is(err, chart.ErrNothing) || errors.Is(err, chart.ErrBusy) || errors.Is(err, chart.ErrAsked) {
		return strings.TrimRight(err.Error(), ".") + "."
	}
	if !errors.Is(err, context.Canceled) {
		s.o.Logger.Warn("a page of the past cannot say all", logkey.Err(err))
	}
	return "this cannot be read now; the log says why."
}

func runLine(r *chart.RunRow, c clock, onBench bool) PastRow {
	p := runOf(r, c)
	row := PastRow{
		ID: r.ID, Station: cmp.Or(r.Name, r.Station), Case: r.Case, Began: p.Began, Lasted: p.Lasted, Outcome: p.Outcome,
		Severity: p.Severity, Window: p.Window, Hookup: strconv.Itoa(r.Hookup + 1),
	}
	if onBench {
		row.Chart = deskPath(r.Station) + p.Zoom
	}
	return row
}

func watchLine(w *chart.WatchRow, c clock, onBench bool) PastRow {
	row := PastRow{
		ID: w.ID, Station: cmp.Or(w.Name, w.Station), Case: w.Case, Began: c.at(w.Armed), Lasted: span(w.Lasted()),
		Goal: w.Goal, By: w.By, Outcome: capital(w.Outcome), Severity: Neutral,
	}
	ended := w.Ended
	switch w.Outcome {
	case "armed":
		row.Outcome, row.Severity, row.Lasted, ended = "Armed", Normal, span(c.now.Sub(w.Armed)), c.now
	case "done":
		row.Outcome, row.Severity = "Goal reached", Normal
	case "failed":
		row.Outcome, row.Severity = "Goal missed"+ending(w.Kind), Abnormal
	}
	if onBench {
		around := max(ended.Sub(w.Armed)/20, 3*time.Second)
		row.Chart = deskPath(w.Station) + viewPart(w.Armed.Add(-around), ended.Add(around))
	}
	return row
}

// sums are the figures over all runs of the filter.
func sums(t *chart.Totals) (out []Sum) {
	if t.Runs == 0 {
		return nil
	}
	add := func(what string, n int) {
		if n > 0 {
			out = append(out, Sum{what, strconv.Itoa(n)})
		}
	}
	add("runs", t.Runs)
	add("go on", t.Running)
	add("dropped", t.Dropped)
	add("stopped by somebody", t.Stopped)
	add("nobody saw the end", t.Unseen)
	add("met their window", t.Met)
	add("missed it", t.Missed)
	if t.Known > 0 {
		out = append(out, Sum{"shortest", span(seconds(t.ShortestS))}, Sum{"median of the " + strconv.Itoa(t.Known) + " that ended", span(seconds(t.MedianS))}, Sum{"longest", span(seconds(t.LongestS))})
	}
	return out
}
