package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"go.uber.org/zap"

	"benchvigil/internal/access"
	"benchvigil/internal/chart"
	"benchvigil/internal/logkey"
)

// Past answers questions about what the bench keeps. Errors that are chart.ErrNothing,
// chart.ErrAsked or chart.ErrBusy are sentences for people; it bounds how long it takes by
// itself.
type Past interface {
	Chart(ctx context.Context, station string, from, to time.Time, points int) (chart.Chart, error)
	Survival(ctx context.Context, station string) (chart.Survival, error)
	Signature(ctx context.Context, station string) (chart.Signature, error)
	Runs(ctx context.Context, q chart.HistoryQuery) (chart.RunPage, error)
	Totals(ctx context.Context, q chart.HistoryQuery) (chart.Totals, error)
	Watches(ctx context.Context, q chart.HistoryQuery) (chart.WatchPage, error)
	Compare(ctx context.Context, a, b string, points int) (chart.Comparison, error)
	Events(ctx context.Context, q chart.EventQuery) (chart.Page[chart.Happened], error)
	// Audit gives what people did, and the number that the next page is before; 0: none is.
	Audit(ctx context.Context, q access.AuditQuery) (acts []access.Entry, next int64, err error)
	// Recording and Trace write while they read: an error may come after a part.
	Recording(ctx context.Context, w io.Writer, station string, from, to time.Time) error
	Trace(ctx context.Context, w io.Writer, station string, from, to time.Time, seconds bool) error
}

// usualPoints are the columns of a chart where nobody asks for a number.
const usualPoints = 1000

// pastRefuses are the problems that a question about the past can meet.
var pastRefuses = []int{http.StatusNotFound, http.StatusServiceUnavailable, http.StatusInternalServerError, http.StatusNotModified}

// span are the times that bound what is asked for; both must be given.
func span() []*huma.Param {
	const says = "RFC 3339, or Unix ms."
	return []*huma.Param{needed(moments(asked("from", "From when: "+says, "2026-03-02T21:00:00Z"))), needed(moments(asked("to", "Until when: "+says, "2026-03-02T22:00:00Z")))}
}

func historyParams() []*huma.Param {
	return append(filterParams(), counted("limit", "How many rows at most.", 1, chart.MostRows), cursors())
}

func filterParams() []*huma.Param {
	return []*huma.Param{
		stationOf(), asked("case", "Only those of that case.", nil),
		moments(asked("from", "Only what touches the time from then: RFC 3339, or Unix ms.", nil)), moments(asked("to", "Only what touches the time until then.", nil)),
		asked("outcome", "Only those that ended so.", nil),
	}
}

func pointsParam() *huma.Param {
	return counted("points", "How many columns are wanted.", chart.FewestPoints, chart.MostPoints)
}

func (a *api) addPast(h huma.API) {
	ask := func(r route, answer func(r *http.Request, q *query) (any, error)) {
		r.method, r.refuses = http.MethodGet, pastRefuses
		r.handler = func(w http.ResponseWriter, req *http.Request) { a.ask(w, req, answer) }
		a.add(h, r)
	}
	ask(route{path: "stations/{id}/chart", id: "get-chart", summary: "Readings of a station as columns to draw, with what happened", params: append(span(), pointsParam()), answers: chart.Chart{}}, func(r *http.Request, q *query) (any, error) {
		from, to, points := q.needed("from"), q.needed("to"), q.number("points", usualPoints)
		return answered(q, func() (any, error) { return a.o.Past.Chart(r.Context(), r.PathValue("id"), from, to, points) })
	})
	ask(route{path: "stations/{id}/survival", id: "get-survival", summary: "How long runs of this hook-up last, with limits", params: nil, answers: chart.Survival{}}, func(r *http.Request, _ *query) (any, error) {
		return a.o.Past.Survival(r.Context(), r.PathValue("id"))
	})
	ask(route{path: "stations/{id}/signature", id: "get-signature", summary: "The current of the last start beside its references", params: nil, answers: chart.Signature{}}, func(r *http.Request, _ *query) (any, error) {
		return a.o.Past.Signature(r.Context(), r.PathValue("id"))
	})
	ask(route{path: "runs", id: "list-runs", summary: "Runs, page by page", params: historyParams(), answers: chart.RunPage{}}, func(r *http.Request, q *query) (any, error) {
		h := q.history()
		return answered(q, func() (any, error) { return a.o.Past.Runs(r.Context(), h) })
	})
	ask(route{path: "runs/totals", id: "sum-runs", summary: "All runs that a filter picks, summed up", params: filterParams(), answers: chart.Totals{}}, func(r *http.Request, q *query) (any, error) {
		h := q.filter()
		return answered(q, func() (any, error) { return a.o.Past.Totals(r.Context(), h) })
	})
	ask(route{path: "watches", id: "list-watches", summary: "Armed goals and how they ended, page by page", params: historyParams(), answers: chart.WatchPage{}}, func(r *http.Request, q *query) (any, error) {
		h := q.history()
		return answered(q, func() (any, error) { return a.o.Past.Watches(r.Context(), h) })
	})
	ask(route{path: "compare", id: "compare-runs", summary: "Two runs laid on each other", params: []*huma.Param{needed(asked("a", "The first run, as a list of runs names it.", nil)), needed(asked("b", "The second.", nil)), pointsParam()}, answers: chart.Comparison{}}, func(r *http.Request, q *query) (any, error) {
		first, second, points := q.text("a"), q.text("b"), q.number("points", usualPoints)
		return answered(q, func() (any, error) { return a.o.Past.Compare(r.Context(), first, second, points) })
	})
	a.add(h, route{
		method: http.MethodGet, path: "stations/{id}/recording", id: "get-recording", summary: "What was observed, as a recording that replays",
		params: span(), kind: "application/jsonl", refuses: pastRefuses[:3], handler: a.recording,
	})
	a.add(h, route{
		method: http.MethodGet, path: "stations/{id}/trace.csv", id: "get-trace", summary: "Readings as a table",
		params: append(span(), asked("seconds", "Anything: one row a second instead of each reading.", nil)), kind: "text/csv",
		refuses: pastRefuses[:3], handler: a.traceCSV,
	})
}

// noLedger is what a bench says that keeps none.
const noLedger = "this bench keeps no ledger: start it with --data"

// ask answers one question about the past. A station that is not on the bench
// may have been there once.
func (a *api) ask(w http.ResponseWriter, r *http.Request, answer func(*http.Request, *query) (any, error)) {
	if a.o.Past == nil {
		problem(w, http.StatusNotFound, noLedger)
		return
	}
	q := &query{values: r.URL.Query()}
	v, err := answer(r, q)
	if err = errors.Join(q.err, err); err != nil {
		a.fail(w, r, err)
		return
	}
	linkNext(w, r, v)
	writeTagged(w, r, v)
}

// linkNext names the page after this one (RFC 8288).
func linkNext(w http.ResponseWriter, r *http.Request, v any) {
	page, is := v.(interface{ After() string })
	if !is || page.After() == "" {
		return
	}
	q := r.URL.Query()
	q.Set("cursor", page.After())
	w.Header().Set("Link", fmt.Sprintf(`<%s?%s>; rel="next"`, r.URL.Path, q.Encode()))
}

// answered asks only where the question can be read.
func answered(q *query, do func() (any, error)) (any, error) {
	if q.err != nil {
		return nil, nil
	}
	return do()
}

// fail says why there is no answer.
func (a *api) fail(w http.ResponseWriter, r *http.Request, err error) {
	switch {
	case r.Context().Err() != nil: // nobody is there to be told
	case errors.Is(err, chart.ErrAsked):
		problem(w, http.StatusUnprocessableEntity, err.Error())
	case errors.Is(err, chart.ErrNothing):
		problem(w, http.StatusNotFound, err.Error())
	case errors.Is(err, chart.ErrBusy):
		w.Header().Set("Retry-After", "5")
		problem(w, http.StatusServiceUnavailable, err.Error())
	default:
		a.o.Logger.Warn("a question about the past has no answer", zap.String("path", r.URL.Path), logkey.Err(err))
		problem(w, http.StatusInternalServerError, err.Error())
	}
}

func (a *api) recording(w http.ResponseWriter, r *http.Request) {
	a.send(w, r, "application/jsonl", ".jsonl", func(out io.Writer, q *query) error {
		return a.o.Past.Recording(r.Context(), out, r.PathValue("id"), q.needed("from"), q.needed("to"))
	})
}

func (a *api) traceCSV(w http.ResponseWriter, r *http.Request) {
	a.send(w, r, "text/csv; charset=utf-8", ".csv", func(out io.Writer, q *query) error {
		return a.o.Past.Trace(r.Context(), out, r.PathValue("id"), q.needed("from"), q.needed("to"), q.text("seconds") != "")
	})
}

// send streams a file. An error after its first bytes breaks the connection, so
// that a part is not taken for the whole.
func (a *api) send(w http.ResponseWriter, r *http.Request, kind, ending string, do func(io.Writer, *query) error) {
	if a.o.Past == nil {
		problem(w, http.StatusNotFound, noLedger)
		return
	}
	q := &query{values: r.URL.Query()}
	if q.needed("from"); q.err == nil {
		q.needed("to")
	}
	if q.err != nil {
		a.fail(w, r, q.err)
		return
	}
	name := url.PathEscape(r.PathValue("id")) + ending
	out := &sending{w: w, rc: http.NewResponseController(w), begin: func() {
		w.Header().Set("Content-Type", kind)
		w.Header().Set("Cache-Control", "no-store")
		w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", name))
	}}
	switch err := do(out, q); {
	case err == nil:
	case !out.begun:
		a.fail(w, r, err)
	default:
		if r.Context().Err() == nil {
			a.o.Logger.Warn("a file from the past was cut off", zap.String("path", r.URL.Path), logkey.Err(err))
		}
		panic(http.ErrAbortHandler)
	}
}

// sendWithin is how long a client may take for one piece.
const sendWithin = 30 * time.Second

// sending is a file on its way.
type sending struct {
	w     io.Writer
	rc    *http.ResponseController
	begin func() // before its first bytes
	begun bool
}

func (s *sending) Write(b []byte) (int, error) {
	if !s.begun {
		s.begin()
		s.begun = true
	}
	if err := s.rc.SetWriteDeadline(time.Now().Add(sendWithin)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	return s.w.Write(b)
}

// query reads the words of a question; the first that cannot be read is the
// error.
type query struct {
	values url.Values
	err    error
}

func (q *query) text(key string) string { return q.values.Get(key) }

// moment is RFC 3339 or Unix ms; zero where it is not given.
func (q *query) moment(key string) (t time.Time) {
	text := q.text(key)
	if text == "" {
		return t
	}
	t, err := parseMoment(text)
	if err != nil {
		q.refuse("%s: %v", key, err)
	}
	return t
}

func (q *query) needed(key string) time.Time {
	t := q.moment(key)
	if t.IsZero() {
		q.refuse("%s is needed: a time as in 2026-03-02T21:14:05Z, or in Unix ms", key)
	}
	return t
}

// mostMoment bounds Unix ms to years that RFC 3339 can write.
const mostMoment = 253402300799999

func parseMoment(text string) (time.Time, error) {
	if n, err := strconv.ParseInt(text, 10, 64); err == nil && n > 0 && n <= mostMoment {
		return time.UnixMilli(n), nil
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil || t.Year() < 1970 {
		return t, fmt.Errorf("%q: want a time as in 2026-03-02T21:14:05Z, or in Unix ms", text)
	}
	return t, nil
}

func (q *query) number(key string, usual int) int {
	text := q.text(key)
	if text == "" {
		return usual
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		q.refuse("%s: %q is no number above 0", key, text)
	}
	return n
}

func (q *query) refuse(format string, args ...any) {
	if q.err == nil {
		q.err = chart.Refuse(chart.ErrAsked, format, args...)
	}
}

func (q *query) history() chart.HistoryQuery {
	h := q.filter()
	h.Limit, h.Cursor = q.number("limit", chart.UsualRows), q.text("cursor")
	return h
}

func (q *query) filter() chart.HistoryQuery {
	return chart.HistoryQuery{Station: q.text("station"), Case: q.text("case"), From: q.moment("from"), To: q.moment("to"), Outcome: q.text("outcome")}
}
