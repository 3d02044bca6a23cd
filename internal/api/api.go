// Package api is the HTTP interface for programs: what every station looks
// like, marks from people, and the observations as they are made. It reads
// snapshots and hands marks on; it decides nothing and knows no station itself.
//
// GET /openapi.json describes every operation (OpenAPI 3.1), made from the routes
// that are served.
//
// Errors are application/problem+json (RFC 9457).
package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"go.uber.org/zap"

	"benchvigil/internal/access"
	"benchvigil/internal/bench"
	"benchvigil/internal/fan"
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

	Past   Past    // what was kept; nil: the bench keeps no ledger
	Stream *Stream // nil: there is none

	// What concerns alerts; nil where the bench keeps none.
	Alerts    func() []bench.AlertView // those that are not normal, the most urgent first
	Act       func(bench.AlertAct) error
	Unknown   func(error) bool                                                         // whether Act refused because there is no such alert; nil: never
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
	h := newSpec(mux)
	a.addBench(h)
	a.addAlerts(h)
	a.addPast(h)
	a.addTold(h)
	a.addStream(h)
	if err := serveSpec(mux, h); err != nil {
		panic(err) // our own types cannot be described: a test would have shown it
	}
	mux.HandleFunc("/api/", func(w http.ResponseWriter, r *http.Request) {
		problem(w, http.StatusNotFound, fmt.Sprintf("there is no %s %s", r.Method, r.URL.Path))
	})
	return http.NewCrossOriginProtection().Handler(mux)
}

type api struct{ o Options }

// stationOf picks a station of a list.
func stationOf() *huma.Param { return asked("station", "Only of this station.", "s1") }

func (a *api) addBench(h huma.API) {
	a.add(h, route{
		method: http.MethodGet, path: "stations", id: "list-stations", summary: "All stations as they are now", answers: []Status{},
		refuses: []int{http.StatusNotModified},
		says:    "The header Benchvigil-Notice says what everybody should know now, encoded by RFC 2047. With If-None-Match the answer is 304 while nothing changed.",
		handler: a.list,
	})
	a.add(h, route{
		method: http.MethodGet, path: "stations/{id}", id: "get-station", summary: "One station as it is now", answers: Status{},
		refuses: []int{http.StatusNotModified}, handler: a.show,
	})
	a.add(h, route{
		method: http.MethodPost, path: "stations/{id}/marks", id: "mark-station", summary: "Say what a person did or saw at a station",
		body: Mark{Kind: bench.MarkNote, By: "kim", Text: "reseated the connector"}, code: http.StatusNoContent,
		says:    "A problem 409 says why the mark makes no sense now, 503 that the station is too busy to take it.",
		refuses: []int{http.StatusConflict, http.StatusUnprocessableEntity, http.StatusServiceUnavailable}, handler: a.mark,
	})
	a.add(h, route{
		method: http.MethodGet, path: "bench", id: "get-bench", summary: "What the bench writes to, and what keeps the computer awake", answers: About{},
		handler: func(w http.ResponseWriter, _ *http.Request) { write(w, http.StatusOK, a.o.About()) },
	})
	a.add(h, route{
		method: http.MethodGet, path: "observations", id: "follow-observations", summary: "The observations as they are made",
		says:   "JSON Lines in the recording format, until the client goes or falls behind.",
		params: []*huma.Param{stationOf()}, kind: "application/jsonl", refuses: []int{http.StatusNotFound}, handler: a.follow,
	})
}

func (a *api) list(w http.ResponseWriter, r *http.Request) {
	all := a.o.Snapshots()
	out := make([]Status, len(all))
	for i := range all {
		out[i] = StatusOf(&all[i])
	}
	if a.o.Notice != nil {
		setNotice(w.Header(), a.o.Notice())
	}
	writeTagged(w, r, out)
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
		writeTagged(w, r, StatusOf(&s))
	}
}

// Mark is a mark as it comes over the wire.
type Mark struct {
	Kind    string  `json:"kind" doc:"What it says."`
	By      string  `json:"by,omitempty" maxLength:"1000" doc:"Who; whoever is logged in signs with their own name."`
	Text    string  `json:"text,omitempty" maxLength:"1000" doc:"Of a note its words, of screen what is on it, of case the number, of arm the goal."`
	ForSecs float64 `json:"for_s,omitempty" minimum:"0" maximum:"7200" doc:"Of hands-on: for so long, in seconds."`
}

// TransformSchema names the kinds that there are.
func (Mark) TransformSchema(_ huma.Registry, s *huma.Schema) *huma.Schema {
	return oneOf(s, "kind", bench.MarkKinds())
}

func (a *api) mark(w http.ResponseWriter, r *http.Request) {
	s, ok := a.find(w, r)
	if !ok {
		return
	}
	m, field, err := readMark(r.Body)
	if err != nil {
		refuseField(w, field, err)
		return
	}
	m.By = signed(r, m.By)
	access.NoteMark(r.Context(), m.Kind, s.Station)
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

// readMark reads a mark that is as it is described; the field is what an error is
// about.
func readMark(body io.Reader) (out bench.Mark, field string, err error) {
	var m Mark
	if err := json.NewDecoder(body).Decode(&m); err != nil {
		return out, "", fmt.Errorf("the mark cannot be read: %w", err)
	}
	out = bench.Mark{Kind: m.Kind, By: m.By, Text: m.Text, For: time.Duration(m.ForSecs * float64(time.Second))}.Tidy()
	field = "text"
	if out.For != 0 && out.Kind != bench.MarkHandsOn {
		field = "for_s"
	}
	return out, field, out.Check()
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
	for _, line := range first {
		if fan.Write(w, append(line, '\n'), writeWithin) != nil {
			return
		}
	}
	for {
		select {
		case line, ok := <-lines:
			if !ok {
				return
			}
			if fan.Write(w, append(line, '\n'), writeWithin) != nil {
				return
			}
		case <-r.Context().Done():
			return
		}
	}
}

// writeWithin is how long a client may take for one line.
const writeWithin = 5 * time.Second

func write(w http.ResponseWriter, code int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(v) // the client is gone; there is nobody to tell
}

// writeTagged answers with a strong entity tag of the body, and with 304 where the
// client has it already (RFC 9110, sections 8.8.3 and 13.1.2).
func writeTagged(w http.ResponseWriter, r *http.Request, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		problem(w, http.StatusInternalServerError, fmt.Sprintf("the answer cannot be written: %v", err))
		return
	}
	sum := sha256.Sum256(b)
	tag := `"` + hex.EncodeToString(sum[:16]) + `"`
	w.Header().Set("ETag", tag)
	w.Header().Set("Cache-Control", "no-cache")
	if hasTag(r.Header.Values("If-None-Match"), tag) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(append(b, '\n')) // the client is gone; there is nobody to tell
}

// hasTag compares weakly, as If-None-Match wants it.
func hasTag(fields []string, tag string) bool {
	for part := range strings.SplitSeq(strings.Join(fields, ","), ",") {
		if part = strings.TrimSpace(part); part == "*" || strings.TrimPrefix(part, "W/") == tag {
			return true
		}
	}
	return false
}

// Problem is why there is no answer, in the form of RFC 9457.
type Problem struct {
	Title  string `json:"title" doc:"The meaning of the status." example:"Not Found"`
	Status int    `json:"status" doc:"The HTTP status." example:"404"`
	Detail string `json:"detail" doc:"What is wrong, where, and what to do." example:"there is no station \"s9\" on this bench: there are s1, s2"`
	// Errors is an extension of ours.
	Errors []Wrong `json:"errors,omitempty" doc:"Each thing that is wrong with the request, where it can be named."`
}

func problem(w http.ResponseWriter, code int, detail string) {
	send(w, Problem{Title: http.StatusText(code), Status: code, Detail: detail})
}

func send(w http.ResponseWriter, p Problem) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.Status)
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false) // people read it too
	_ = enc.Encode(p)        // the client is gone; there is nobody to tell
}
