package web

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/chart"
)

// pastOf60 has sixty runs, of which the last goes on, given out fifty to a page.
type pastOf60 struct {
	Past
	asked []chart.HistoryQuery
	err   error
}

const sixty = 60

func (f *pastOf60) row(i int) chart.RunRow {
	began := time.Date(2026, 3, 2, 20, 0, 0, 0, time.UTC).Add(time.Duration(i) * time.Minute)
	return chart.RunRow{
		ID: fmt.Sprintf("%032x", i), Station: "s-1", Name: "=Wren <b>1</b>, \"wet\"\nboard", Case: "@case", Began: began,
		Ended: began.Add(40 * time.Second), LastedS: 40, UptimeS: 40, Outcome: "dropped", Kind: "died", WindowS: 210, Missed: true, Profile: "-p",
	}
}

func (f *pastOf60) Runs(_ context.Context, q chart.HistoryQuery) (p chart.RunPage, err error) {
	f.asked = append(f.asked, q)
	from := 0
	if q.Cursor != "" {
		from, _ = strconv.Atoi(q.Cursor)
	}
	limit := q.Limit
	if limit == 0 {
		limit = chart.UsualRows
	}
	limit = min(limit, chart.UsualRows)
	for i := from; i < sixty && i < from+limit; i++ {
		p.Items = append(p.Items, f.row(i))
	}
	if from+limit < sixty {
		p.Next = strconv.Itoa(from + limit)
	}
	return p, f.err
}

func (f *pastOf60) Totals(context.Context, chart.HistoryQuery) (chart.Totals, error) {
	return chart.Totals{Runs: sixty, Dropped: sixty, Missed: sixty, Known: sixty, ShortestS: 40, MedianS: 40, LongestS: 40}, f.err
}

func TestFilter(t *testing.T) {
	zone := time.FixedZone("bench", 3600)
	day := func(d, h int) time.Time { return time.Date(2026, 3, d, h, 0, 0, 0, zone) }
	for address, tt := range map[string]struct {
		want  chart.HistoryQuery
		wrong string // part of what is said
	}{
		"":                               {},
		"station=s-1&case=+14+&outcome=": {want: chart.HistoryQuery{Station: "s-1", Case: "14"}},
		"from=2026-03-02&to=2026-03-02":  {want: chart.HistoryQuery{From: day(2, 0), To: day(3, 0).Add(-time.Millisecond)}},
		"outcome=unseen&cursor=2k":       {want: chart.HistoryQuery{Outcome: "unseen", Cursor: "2k"}},
		"show=watches&outcome=failed":    {want: chart.HistoryQuery{Outcome: "failed"}},
		"show=watches&outcome=dropped":   {wrong: `Ended: "dropped"`},
		"show=boards":                    {wrong: `Show: "boards"`},
		"from=yesterday":                 {wrong: `From: "yesterday" is no day. Write it as 2026-03-31.`},
		"from=2026-03-03&to=2026-03-02":  {wrong: "first day is after"},
		"cursor=%3F":                     {wrong: `Page: "?" is no place in the list`},
	} {
		v, err := url.ParseQuery(address)
		if err != nil {
			t.Fatal(err)
		}
		f := filterOf(v)
		got, wrong := f.query(zone)
		if said := strings.Join(wrong, " "); tt.wrong != "" && !strings.Contains(said, tt.wrong) || tt.wrong == "" && said != "" {
			t.Errorf("%s: it says %q, want %q", address, said, tt.wrong)
		}
		if tt.wrong == "" && !cmp.Equal(got, tt.want) {
			t.Errorf("%s: %s", address, cmp.Diff(tt.want, got))
		}
	}
}

func get(t *testing.T, o Options, path string) *httptest.ResponseRecorder {
	t.Helper()
	w := httptest.NewRecorder()
	newSite(t, o).Handler().ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "http://localhost:8420"+path, http.NoBody))
	return w
}

func TestHistoryPage(t *testing.T) {
	past := &pastOf60{}
	o := options(t)
	o.Past = past
	root := page(t, o, "/history?station=s-1&outcome=dropped")
	if n := len(all(root, "label", "tick")); n != chart.UsualRows {
		t.Errorf("%d rows can be ticked, want %d", n, chart.UsualRows)
	}
	older := ""
	for _, a := range all(root, "a", "") {
		if h := attribute(a, "href"); strings.Contains(h, "cursor=") {
			older = h
		}
	}
	if want := "/history?cursor=50&outcome=dropped&show=runs&station=s-1"; older != want {
		t.Errorf("the older ones are at %q, want %q", older, want)
	}
	if body := get(t, o, "/history").Body.String(); strings.Contains(body, "<b>1</b>") {
		t.Error("a name becomes part of the page")
	}
	past.err = errors.New("the disk is gone")
	if body := get(t, o, "/history").Body.String(); !strings.Contains(body, "cannot be read now; the log says why") {
		t.Error("it does not say that the ledger cannot be read")
	}
	if w := get(t, o, "/history?from=x"); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "is no day") {
		t.Errorf("a bad day is answered by %d", w.Code)
	}
	o.Past = nil
	if body := get(t, o, "/history").Body.String(); !strings.Contains(body, "--data FOLDER") {
		t.Error("it does not say how a ledger is kept")
	}
}

// The table has every row once, reads back as CSV, and has no cell that a
// spreadsheet takes for a formula.
func TestHistoryTable(t *testing.T) {
	past := &pastOf60{}
	o := options(t)
	o.Past = past
	w := get(t, o, "/history.csv?station=s-1")
	rows, err := csv.NewReader(w.Body).ReadAll()
	if err != nil || len(rows) != 1+sixty {
		t.Fatalf("%d rows, %v, want %d", len(rows), err, 1+sixty)
	}
	for i, row := range rows[1:] {
		want := past.row(i)
		if row[0] != want.ID || row[1] != want.Station || row[2] != "'"+want.Name || row[3] != "'"+want.Case || row[16] != "'-p" {
			t.Fatalf("row %d is %q", i, row)
		}
		if began, err := time.Parse(time.RFC3339, row[4]); err != nil || !began.Equal(want.Began) {
			t.Errorf("row %d began %q, want %v", i, row[4], want.Began)
		}
	}
	if h := w.Header().Get("Content-Disposition"); !strings.HasPrefix(h, `attachment; filename="runs-`) {
		t.Errorf("it is handed out as %q", h)
	}
}
