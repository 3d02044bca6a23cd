// Package api is the HTTP interface for programs: what every station looks
// like, marks from people, and the observations as they are made. It reads
// snapshots and hands marks on; it decides nothing and knows no station itself.
//
//	GET  /api/v1/stations                 all stations; a header Benchvigil-Notice: what everybody should know now
//	GET  /api/v1/stations/{id}            one
//	GET  /api/v1/bench                    what the bench writes to, and what keeps the computer awake
//	POST /api/v1/stations/{id}/marks      {"kind":"stop","by":"kim","text":"…","for_s":600}
//	                                      {"kind":"arm","by":"kim","text":"reach running within 2h"}; done; disarm
//	                                      409: it makes no sense now, and why
//	GET  /api/v1/alerts?station=s1        the alerts that are not normal
//	GET  /api/v1/alerts/{key}             one, by its key or its point
//	POST /api/v1/alerts/{key}             {"do":"acknowledge","by":"kim"}; shelve ("for_s":900), unshelve, take-out, put-back
//	POST /api/v1/alerts/test              {"by":"kim","outlet":"phones"}: a test by one outlet or all, and how they fare
//	GET  /api/v1/alerts/load?days=7       the measures of alarm load
//	GET  /api/v1/outlets                  how the outlets fare
//	GET  /api/v1/stations/{id}/chart?from=&to=&points=   what it did, drawn: chart.Chart
//	GET  /api/v1/stations/{id}/survival   how long the runs of its hook-up stayed up
//	GET  /api/v1/stations/{id}/signature  the current of its last start beside known ones
//	GET  /api/v1/stations/{id}/recording?from=&to=       JSON Lines in the recording format, which replay
//	GET  /api/v1/stations/{id}/trace.csv?from=&to=       its readings; &seconds=1: least, mean and greatest of each second
//	GET  /api/v1/runs?station=&from=&to=&outcome=&limit=&cursor=   the newest first; watches likewise
//	GET  /api/v1/compare?a=&b=&points=    two runs, by their ids, from their starts
//	GET  /api/v1/observations?station=s1  JSON Lines in the recording format, until the client goes
//
// Errors are application/problem+json (RFC 9457).
package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
)

// Options plug the interface into a bench. All up to About are needed.
type Options struct {
	Snapshots func() []bench.Snapshot
	Notice    func() string // what everybody should know now, "" for nothing; nil: there never is any
	// Mark hands a mark to a station, false when it is too busy to take it.
	Mark func(station string, m bench.Mark) bool
	// Follow subscribes to recording lines, without their ends: first what to
	// begin with, then what comes; cancel ends it. The channel is closed when
	// the bench stops or when the follower fell behind.
	Follow func(ctx context.Context, station string) (first [][]byte, lines <-chan []byte, cancel func())
	About  func() About
	Logger *zap.Logger

	Past Past // what was kept; nil: the bench keeps no ledger

	// What concerns alerts; nil where the bench keeps none.
	Alerts    func() []bench.AlertView // those that are not normal, the most urgent first
	Act       func(bench.AlertAct) error
	TestAlert func(ctx context.Context, outlet, by string) ([]bench.OutletView, error) // outlet empty: all
	Load      func(ctx context.Context, from, to time.Time) (any, error)
	Outlets   func() []bench.OutletView
}

// About is what concerns the bench as a whole.
type About struct {
	Bench   string   `json:"bench"`
	Folders []string `json:"folders"`           // where the record goes, absolute
	Held    string   `json:"held,omitempty"`    // what is or was last kept off the computer, such as "sleep, idle"
	Refused string   `json:"refused,omitempty"` // why it was not
}

// maxBody bounds a request's body.
const maxBody = 8 << 10

// New returns the handler for everything below /api/.
func New(o Options) http.Handler {
	a := &api{o}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /api/v1/stations", a.list)
	mux.HandleFunc("GET /api/v1/stations/{id}", a.show)
	mux.HandleFunc("POST /api/v1/stations/{id}/marks", a.mark)
	mux.HandleFunc("GET /api/v1/bench", func(w http.ResponseWriter, _ *http.Request) { write(w, http.StatusOK, o.About()) })
	mux.HandleFunc("GET /api/v1/observations", a.follow)
	a.addAlerts(mux)
	a.addPast(mux)
	mux.HandleFunc("/api/", func(w http.ResponseWriter, r *http.Request) {
		problem(w, http.StatusNotFound, fmt.Sprintf("there is no %s %s", r.Method, r.URL.Path))
	})
	return http.NewCrossOriginProtection().Handler(mux)
}

type api struct{ o Options }

func (a *api) list(w http.ResponseWriter, _ *http.Request) {
	all := a.o.Snapshots()
	out := make([]Status, len(all))
	for i := range all {
		out[i] = StatusOf(&all[i])
	}
	if a.o.Notice != nil {
		setNotice(w.Header(), a.o.Notice())
	}
	write(w, http.StatusOK, out)
}

// noticeHeader carries the notice beside the stations, as RFC 2047 encodes text
// in a header.
const noticeHeader = "Benchvigil-Notice"

func setNotice(h http.Header, notice string) {
	if notice != "" {
		h.Set(noticeHeader, strings.ReplaceAll(mime.QEncoding.Encode("utf-8", notice), "\r\n", ""))
	}
}

// NoticeOf is the notice that came with an answer, "" for none.
func NoticeOf(h http.Header) string {
	text, err := new(mime.WordDecoder).DecodeHeader(h.Get(noticeHeader))
	if err != nil {
		return h.Get(noticeHeader) // better as it came than not at all
	}
	return text
}

func (a *api) find(w http.ResponseWriter, r *http.Request) (bench.Snapshot, bool) {
	id := r.PathValue("id")
	for _, s := range a.o.Snapshots() {
		if s.Station == id {
			return s, true
		}
	}
	problem(w, http.StatusNotFound, a.nobody(id))
	return bench.Snapshot{}, false
}

// nobody says that there is no such station, and which there are.
func (a *api) nobody(id string) string {
	var ids []string
	for _, s := range a.o.Snapshots() {
		ids = append(ids, s.Station)
	}
	return fmt.Sprintf("there is no station %q on this bench: there are %s", id, strings.Join(ids, ", "))
}

func (a *api) known(id string) bool {
	return slices.ContainsFunc(a.o.Snapshots(), func(s bench.Snapshot) bool { return s.Station == id })
}

func (a *api) show(w http.ResponseWriter, r *http.Request) {
	if s, ok := a.find(w, r); ok {
		write(w, http.StatusOK, StatusOf(&s))
	}
}

// Mark is a mark as it comes over the wire.
type Mark struct {
	Kind    string  `json:"kind"`
	By      string  `json:"by,omitempty"`
	Text    string  `json:"text,omitempty"`
	ForSecs float64 `json:"for_s,omitempty"`
}

func (a *api) mark(w http.ResponseWriter, r *http.Request) {
	s, ok := a.find(w, r)
	if !ok {
		return
	}
	m, err := readMark(http.MaxBytesReader(w, r.Body, maxBody))
	if err != nil {
		problem(w, http.StatusUnprocessableEntity, err.Error())
		return
	}
	if err := s.Fits(m); err != nil {
		problem(w, http.StatusConflict, err.Error())
		return
	}
	if !a.o.Mark(s.Station, m) {
		w.Header().Set("Retry-After", "1")
		problem(w, http.StatusServiceUnavailable, fmt.Sprintf("station %q is too busy to take the mark: try again", s.Station))
		return
	}
	a.o.Logger.Info("marked", logkey.Station(s.Station), logkey.Mark(m.Kind, m.Text, m.By, m.For))
	w.WriteHeader(http.StatusNoContent)
}

func readMark(body io.Reader) (bench.Mark, error) {
	var m Mark
	dec := json.NewDecoder(body)
	dec.DisallowUnknownFields()
	if err := dec.Decode(&m); err != nil {
		return bench.Mark{}, fmt.Errorf("the mark cannot be read: %w", err)
	}
	if !(m.ForSecs >= 0 && m.ForSecs <= 1e6) {
		return bench.Mark{}, errors.New("for_s: want a number of seconds")
	}
	out := bench.Mark{Kind: m.Kind, By: m.By, Text: m.Text, For: time.Duration(m.ForSecs * float64(time.Second))}.Tidy()
	return out, out.Check()
}

// follow streams observations. A line that cannot be written within a few
// seconds ends the stream: the bench waits for nobody.
func (a *api) follow(w http.ResponseWriter, r *http.Request) {
	station := r.URL.Query().Get("station")
	if station != "" && !a.known(station) {
		problem(w, http.StatusNotFound, a.nobody(station))
		return
	}
	first, lines, cancel := a.o.Follow(r.Context(), station)
	defer cancel()
	w.Header().Set("Content-Type", "application/jsonl")
	w.Header().Set("Cache-Control", "no-store")
	rc := http.NewResponseController(w)
	for _, line := range first {
		if writeLine(w, rc, line) != nil {
			return
		}
	}
	for {
		select {
		case line, ok := <-lines:
			if !ok {
				return
			}
			if writeLine(w, rc, line) != nil {
				return
			}
		case <-r.Context().Done():
			return
		}
	}
}

// writeWithin is how long a client may take for one line.
const writeWithin = 5 * time.Second

func writeLine(w io.Writer, rc *http.ResponseController, line []byte) error {
	if err := rc.SetWriteDeadline(time.Now().Add(writeWithin)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	if _, err := w.Write(append(line, '\n')); err != nil {
		return err
	}
	return rc.Flush()
}

func write(w http.ResponseWriter, code int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(v) // the client is gone; there is nobody to tell
}

// problem answers in the form of RFC 9457.
func problem(w http.ResponseWriter, code int, detail string) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(map[string]any{"title": http.StatusText(code), "status": code, "detail": detail})
}
