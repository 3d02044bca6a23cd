package web

import (
	"context"
	"encoding/csv"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchvigil/internal/chart"
	"benchvigil/internal/logkey"
	"benchvigil/internal/unit"
)

// Compare is the page of two runs laid on each other at their starts.
type Compare struct {
	Look
	Trouble string
	Sides   []CompareSide
	Rows    []CompareRow
	Words   []string // how they differ
	LongMS  int64
	Picture Picture
}

// CompareSide is one of the two.
type CompareSide struct {
	Label   string
	Station string
	Chart   string // the address that shows it in the chart of its station
	Began   int64  // Unix ms
	LastsMS int64
}

// CompareRow is one property of both.
type CompareRow struct {
	What   string
	A, B   string
	Differ bool
}

// compareColumns is how many columns a picture without script has.
const compareColumns = 500

func (s *Site) serveCompare(w http.ResponseWriter, r *http.Request) {
	l := s.lookOf(r)
	l.Title, l.Sheets, l.Scripts = "Two runs · "+l.Bench, []string{"chart.css", "station.css", "history.css"}, []string{"compare.js"}
	p, code := Compare{Look: l}, http.StatusOK
	ids := comparedIDs(r.URL.Query())
	switch {
	case s.o.Past == nil:
		p.Trouble, code = "This bench keeps no ledger, so nothing is known of its runs: start it with --data FOLDER.", http.StatusNotFound
	case len(ids) != 2 || ids[0] == ids[1]:
		p.Trouble, code = fmt.Sprintf("Two runs are compared, and %d are ticked. Go back to the list and tick two.", len(slices.Compact(ids))), http.StatusUnprocessableEntity
	default:
		ctx, cancel := context.WithTimeout(r.Context(), askPast)
		defer cancel()
		c, err := s.o.Past.Compare(ctx, ids[0], ids[1], compareColumns)
		if err != nil {
			p.Trouble, code = capital(s.whyNot(err)), http.StatusNotFound
			break
		}
		p.show(&c, clock{s.o.Zone, l.at})
	}
	if code != http.StatusOK {
		p.Scripts = nil
	}
	s.serve(w, code, comparePage(&p))
}

// comparedIDs are the runs that a list ticked, or that an address names as a and b.
func comparedIDs(v url.Values) []string {
	if v.Has("a") || v.Has("b") {
		return slices.DeleteFunc([]string{v.Get("a"), v.Get("b")}, func(id string) bool { return id == "" })
	}
	return v["run"]
}

// show lays out what is known of both.
func (p *Compare) show(c *chart.Comparison, k clock) {
	a, b := runLine(&c.A.Run, k, true), runLine(&c.B.Run, k, true)
	p.LongMS = c.LongMS
	for _, s := range []struct {
		side *chart.Side
		row  PastRow
	}{{&c.A, a}, {&c.B, b}} {
		p.Sides = append(p.Sides, CompareSide{
			Label: s.row.Station + ", " + s.row.Began, Station: s.side.Run.Station, Chart: s.row.Chart,
			Began: s.side.Run.Began.UnixMilli(), LastsMS: s.side.Run.Uptime().Milliseconds(),
		})
	}
	add := func(what, x, y string) {
		if x != "" || y != "" {
			p.Rows = append(p.Rows, CompareRow{what, orNone(x), orNone(y), x != y})
		}
	}
	add("Lasted", a.Lasted, b.Lasted)
	add("Ended", a.Outcome, b.Outcome)
	add("Window", a.Window, b.Window)
	add("Case", a.Case, b.Case)
	add("Hook-up of its station", a.Hookup, b.Hookup)
	add("Profile", c.A.Run.Profile, c.B.Run.Profile)
	add("Restarts", strconv.Itoa(c.A.Run.Restarts), strconv.Itoa(c.B.Run.Restarts))
	add("Stalls", strconv.Itoa(c.A.Run.Stalls), strconv.Itoa(c.B.Run.Stalls))
	p.Words = apartWords(c)
	p.Picture = comparePicture(c, strings.Join(p.Words, " "))
}

func orNone(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

// apartWords say how the currents of two runs differ.
func apartWords(c *chart.Comparison) []string {
	d, ok := c.Apart()
	if !ok {
		return []string{"Their currents cannot be compared: there is no time at which both were up and read."}
	}
	amps := func(v int64) string { return unit.Current(v).String() }
	common := fmt.Sprintf("Over the %s that both were up and read, their currents differ by %s on average.", span(ms(d.CommonMS)), amps(d.Mean))
	if d.PartMS < 0 {
		return []string{"They go together: nowhere do their currents differ by a quarter for three seconds.", common}
	}
	return []string{
		fmt.Sprintf("They part %s after the start: %s flows in the first, %s in the second.", span(ms(d.PartMS)), amps(d.Here), amps(d.There)), common,
	}
}

func ms(n int64) time.Duration { return time.Duration(n) * time.Millisecond }

// comparePicture draws the currents of both, for who has no script.
func comparePicture(c *chart.Comparison, text string) Picture {
	f := frame{right: max(float64(c.LongMS)/1000, 1), top: 0.05}
	var lines []*chart.Channel
	for _, s := range []*chart.Side{&c.A, &c.B} {
		l := currentOf(s)
		for _, v := range l.V {
			if v != chart.Absent {
				f.top = max(f.top, float64(v)*l.Scale*1.1)
			}
		}
		lines = append(lines, l)
	}
	p := Picture{Text: text, X: timeScale(f), Y: ampScale(f)}
	for i, l := range lines {
		p.Lines = append(p.Lines, Drawn{"side-" + strconv.Itoa(i+1), levels(f, l)})
	}
	return p
}

// currentOf is the current of a run as one line, of columns their means.
func currentOf(s *chart.Side) *chart.Channel {
	for i := range s.Channels {
		if l := &s.Channels[i]; l.Name == chart.Amps {
			out := *l
			if out.V == nil {
				out.V = out.Mean
			}
			return &out
		}
	}
	return &chart.Channel{}
}

// serveHistoryTable is all that a filter picks, as CSV (RFC 4180).
func (s *Site) serveHistoryTable(w http.ResponseWriter, r *http.Request) {
	f := filterOf(r.URL.Query())
	q, wrong := f.query(s.o.Zone)
	switch {
	case s.o.Past == nil:
		http.Error(w, "This bench keeps no ledger: start it with --data FOLDER.", http.StatusNotFound)
		return
	case len(wrong) > 0:
		http.Error(w, strings.Join(wrong, "\n"), http.StatusUnprocessableEntity)
		return
	}
	q.Limit = chart.MostRows
	t := &table{site: s, w: w, name: fmt.Sprintf("%s-%s.csv", f.Show, s.look().at.In(s.o.Zone).Format("2006-01-02-1504"))}
	for {
		next, err := t.page(r.Context(), f.Show, q)
		if err != nil {
			t.fail(err)
			return
		}
		if next == "" {
			return
		}
		q.Cursor = next
	}
}

// table writes pages of rows one after the other.
type table struct {
	site *Site
	w    http.ResponseWriter
	name string
	out  *csv.Writer // nil until there is something to write
}

func (t *table) page(ctx context.Context, show string, q chart.HistoryQuery) (next string, err error) {
	if show == showWatches {
		p, err := t.site.o.Past.Watches(ctx, q)
		if err != nil {
			return "", err
		}
		t.begin(watchHeads)
		for i := range p.Items {
			t.row(t.site.watchCells(&p.Items[i]))
		}
		return p.Next, t.flush()
	}
	p, err := t.site.o.Past.Runs(ctx, q)
	if err != nil {
		return "", err
	}
	t.begin(runHeads)
	for i := range p.Items {
		t.row(t.site.runCells(&p.Items[i]))
	}
	return p.Next, t.flush()
}

func (t *table) begin(heads []string) {
	if t.out != nil {
		return
	}
	t.w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
	t.w.Header().Set("Content-Disposition", `attachment; filename="`+t.name+`"`)
	t.w.Header().Set("Cache-Control", "no-store")
	t.out = csv.NewWriter(t.w)
	t.out.UseCRLF = true // RFC 4180, 2.1
	t.row(heads)
}

func (t *table) row(cells []string) {
	for i, c := range cells {
		cells[i] = plainCell(c)
	}
	_ = t.out.Write(cells) // flush tells
}

func (t *table) flush() error {
	t.out.Flush()
	return t.out.Error()
}

// fail says what went wrong; after a part of the table the connection is cut, so
// that nobody takes the part for all.
func (t *table) fail(err error) {
	if t.out == nil {
		http.Error(t.w, capital(t.site.whyNot(err)), http.StatusServiceUnavailable)
		return
	}
	t.site.o.Logger.Warn("a table was cut off", logkey.Err(err))
	panic(http.ErrAbortHandler)
}

// plainCell keeps a spreadsheet from taking what somebody typed for a formula: a
// leading apostrophe makes it text (common practice).
func plainCell(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

var (
	runHeads   = []string{"id", "station", "name", "case", "began", "assumed", "ended", "lasted_s", "outcome", "kind", "window_s", "window_met", "window_missed", "restarts", "stalls", "hookup", "profile"}
	watchHeads = []string{"id", "station", "name", "case", "goal", "by", "armed", "ended", "lasted_s", "outcome", "kind"}
)

func (s *Site) runCells(r *chart.RunRow) []string {
	return []string{
		r.ID, r.Station, r.Name, r.Case, s.moment(r.Began), yes(r.Assumed), s.moment(r.Ended), cellOf(r.LastedS), r.Outcome, r.Kind,
		cellOf(r.WindowS), s.moment(r.WindowMet), yes(r.Missed), strconv.Itoa(r.Restarts), strconv.Itoa(r.Stalls), strconv.Itoa(r.Hookup + 1), r.Profile,
	}
}

func (s *Site) watchCells(r *chart.WatchRow) []string {
	return []string{r.ID, r.Station, r.Name, r.Case, r.Goal, r.By, s.moment(r.Armed), s.moment(r.Ended), cellOf(r.LastedS), r.Outcome, r.Kind}
}

// moment is a time of the bench's zone (RFC 3339), empty where there is none.
func (s *Site) moment(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(s.o.Zone).Format("2006-01-02T15:04:05.000Z07:00")
}

func cellOf(v float64) string {
	if v == 0 {
		return ""
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return ""
}
