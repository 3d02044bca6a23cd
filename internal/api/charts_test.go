package api_test

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/access"
	"benchvigil/internal/api"
	"benchvigil/internal/bench"
	"benchvigil/internal/chart"
)

// pastFake answers with what it was asked, or with an error.
type pastFake struct {
	err   error
	after bool // the error comes after a part of the file
	asked []any
}

func (f *pastFake) note(v ...any) error { f.asked = v; return f.err }

func (f *pastFake) Chart(_ context.Context, s string, from, to time.Time, points int) (chart.Chart, error) {
	return chart.Chart{Station: s, From: from.UnixMilli(), To: to.UnixMilli()}, f.note(s, from.UnixMilli(), to.UnixMilli(), points)
}

func (f *pastFake) Survival(_ context.Context, s string) (chart.Survival, error) {
	return chart.Survival{Station: s}, f.note(s)
}

func (f *pastFake) Signature(_ context.Context, s string) (chart.Signature, error) {
	return chart.Signature{Station: s}, f.note(s)
}

func (f *pastFake) Runs(_ context.Context, q chart.HistoryQuery) (chart.RunPage, error) {
	return chart.RunPage{Items: []chart.RunRow{}, Next: "n"}, f.note(q)
}

func (f *pastFake) Totals(_ context.Context, q chart.HistoryQuery) (chart.Totals, error) {
	return chart.Totals{}, f.note(q)
}

func (f *pastFake) Watches(_ context.Context, q chart.HistoryQuery) (chart.WatchPage, error) {
	return chart.WatchPage{Items: []chart.WatchRow{}}, f.note(q)
}

func (f *pastFake) Compare(_ context.Context, a, b string, points int) (chart.Comparison, error) {
	return chart.Comparison{}, f.note(a, b, points)
}

func (f *pastFake) Events(_ context.Context, q chart.EventQuery) (p chart.Page[chart.Happened], err error) {
	p.Items, p.Next = []chart.Happened{{Seq: 7, Station: "s1", Event: dropEvent(7).Envelope("north")}}, "7"
	return p, f.note(q)
}

func (f *pastFake) Audit(_ context.Context, q access.AuditQuery) ([]access.Entry, int64, error) {
	return []access.Entry{{Seq: 36, At: moment, Who: "kim", From: "192.0.2.1", Did: "acknowledged", On: "s1.dropped", Outcome: "done"}}, 36, f.note(q)
}

func (f *pastFake) Recording(_ context.Context, w io.Writer, s string, from, to time.Time) error {
	if f.err == nil || f.after {
		_, _ = io.WriteString(w, "{}\n")
	}
	return f.note(s, from.UnixMilli(), to.UnixMilli())
}

func (f *pastFake) Trace(ctx context.Context, w io.Writer, s string, from, to time.Time, _ bool) error {
	return f.Recording(ctx, w, s, from, to)
}

func servePast(t *testing.T, p api.Past) *httptest.Server {
	t.Helper()
	h := api.New(api.Options{Snapshots: func() []bench.Snapshot { return nil }, Logger: zap.NewNop(), Past: p})
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.ServeHTTP(w, r.WithContext(access.With(r.Context(), access.Who{Role: access.Work, Local: true})))
	}))
	t.Cleanup(s.Close)
	return s
}

func getPast(t *testing.T, s *httptest.Server, path string) (*http.Response, string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, s.URL+"/api/v1/"+path, http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	res, err := s.Client().Do(r)
	if err != nil {
		return &http.Response{}, "cut off"
	}
	defer res.Body.Close() //nolint:errcheck // only read
	b, err := io.ReadAll(res.Body)
	if err != nil {
		return res, "cut off"
	}
	return res, string(b)
}

func TestPast(t *testing.T) {
	const span = "?from=1970-01-01T00:00:01Z&to=2000"
	for _, tt := range []struct {
		name, path string
		err        error
		code       int
		says       string
	}{
		{"a chart, times in either form", "stations/s1/chart" + span, nil, 200, `"station":"s1","from":1000,"to":2000`},
		{"a chart without a beginning", "stations/s1/chart?to=2000", nil, 422, "from: is needed"},
		{"a moment that is none", "stations/s1/chart?from=yesterday&to=2000", nil, 422, `"yesterday\"`},
		{"points that are none", "stations/s1/chart" + span + "&points=many", nil, 422, "points"},
		{"nothing there", "stations/s9/survival", chart.Refuse(chart.ErrNothing, "no station %q", "s9"), 404, "no station"},
		{"others ask", "runs", chart.Refuse(chart.ErrBusy, "try again"), 503, "try again"},
		{"a disk that fails", "watches", errors.New("input/output error"), 500, "input/output error"},
		{"an offset in a query", "stations/s1/chart?from=2026-03-02T21:00:00+01:00&to=2000", nil, 422, "a + is written %2B"},
		{"a day that there is not", "stations/s1/chart?from=2026-02-30T21:00:00Z&to=2000", nil, 422, "2026-02-30"},
		{"rows beyond", "runs?limit=501", nil, 422, "limit: want number <= 500, not 501"},
		{"a cursor that is none", "events?cursor=%27--", nil, 422, "cursor: want string to be what an answer gave as next"},
		{"a cursor too large", "audit?cursor=zzzzzzzzzzzzz", nil, 422, "cursor"},
		{"no type of events", "events?type=Drop", nil, 422, "type: want string to be a type of events"},
		{"events", "events?type=benchvigil.run&station=s2", nil, 200, `"type":"benchvigil.run.dropped"`},
		{"acts", "audit?who=kim&limit=1", nil, 200, `"did":"acknowledged"`},
		{"runs", "runs?limit=3&cursor=x&outcome=dropped", nil, 200, `"items":[],"next":"n"`},
		{"no rows", "runs?limit=0", nil, 422, "limit"},
		{"two runs", "compare?a=1&b=2", nil, 200, `"long_ms"`},
		{"a start", "stations/s1/signature", nil, 200, `"station":"s1"`},
		{"a recording", "stations/s1/recording" + span, nil, 200, "{}\n"},
		{"a recording of nothing", "stations/s1/recording" + span, chart.Refuse(chart.ErrNothing, "nothing was recorded then"), 404, "nothing"},
		{"a recording without an end", "stations/s1/recording?from=1", nil, 422, "to: is needed"},
		{"readings", "stations/s1/trace.csv" + span, nil, 200, "{}\n"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			res, body := getPast(t, servePast(t, &pastFake{err: tt.err}), tt.path)
			if res.StatusCode != tt.code || !strings.Contains(body, tt.says) {
				t.Errorf("%d %s, want %d with %s", res.StatusCode, body, tt.code, tt.says)
			}
			problem := res.Header.Get("Content-Type") == "application/problem+json"
			if problem != (tt.code != 200) || problem && !json.Valid([]byte(body)) {
				t.Errorf("%s: %s", res.Header.Get("Content-Type"), body)
			}
		})
	}
}

// A file that breaks off is not taken for a whole one.
func TestFileCutOff(t *testing.T) {
	s := servePast(t, &pastFake{err: errors.New("cannot be read"), after: true})
	s.Config.ErrorLog = zap.NewStdLog(zap.NewNop())
	if _, body := getPast(t, s, "stations/s1/recording?from=1&to=2"); body != "cut off" {
		t.Errorf("the client takes %q for the whole", body)
	}
}

func TestNoLedger(t *testing.T) {
	s := servePast(t, nil)
	for _, path := range []string{"stations/s1/chart?from=1&to=2", "runs", "stations/s1/recording?from=1&to=2", "compare?a=1&b=2"} {
		if res, body := getPast(t, s, path); res.StatusCode != 404 || !strings.Contains(body, "this bench keeps no ledger: start it with --data") {
			t.Errorf("%s: %d %s", path, res.StatusCode, body)
		}
	}
}
