package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"reflect"
	"strings"
	"sync"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/chart"
	"benchvigil/internal/fan"
	"benchvigil/internal/logkey"
)

// The limits of streams.
const (
	mostStreams   = 256
	streamQueue   = 256                    // messages that wait for one client
	streamEvery   = 250 * time.Millisecond // between two looks for what is new
	streamBeat    = 10 * time.Second       // of silence before a sign of life
	mostAtOnce    = 500                    // events of one look
	mostResumed   = 10_000                 // events that a client may have missed
	streamRetries = "retry: 1000\n\n"
)

// What the messages of a stream are called.
const (
	sentEvent   = "event"   // what happened: an event
	sentStation = "station" // what a station looks like now
	sentGap     = "gap"     // something is not in the stream
)

// StreamGap says that something is not in the stream, and where it can be had.
type StreamGap struct {
	Why string `json:"why" example:"10400 events were missed, more than a stream goes back"`
	How string `json:"how,omitempty" example:"GET /api/v1/events"`
}

// StreamOptions say what is streamed. Snapshots and Logger are needed.
type StreamOptions struct {
	Snapshots func() []bench.Snapshot
	Tail      Tail // nil: no ledger is kept, and only stations are streamed
	Logger    *zap.Logger
}

// Stream tells programs what happens as it happens. Everybody is given the same
// messages, of one goroutine that looks again and again; while nobody listens it
// looks at nothing.
type Stream struct {
	o   StreamOptions
	hub *fan.Hub[string, []byte] // a view is a station, or empty for all

	mu    sync.Mutex // guards all below: whoever joins is told what stands then, and what comes after
	at    int64      // the number of the event that was sent last
	shown map[string]Status
	deaf  bool // what happened cannot be read; said once
}

// NewStream makes a stream that begins with Run.
func NewStream(o StreamOptions) *Stream {
	return &Stream{o: o, hub: fan.New[string, []byte](mostStreams, streamQueue)}
}

// Run streams until ctx ends; then all streams do. It returns nil.
func (s *Stream) Run(ctx context.Context) error {
	defer s.hub.Close()
	tick := time.NewTicker(streamEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			if len(s.hub.Views()) == 0 {
				continue
			}
			s.mu.Lock()
			s.look(ctx)
			s.mu.Unlock()
		}
	}
}

// look sends what is new; s.mu is held.
func (s *Stream) look(ctx context.Context) {
	told, unread, err := s.since(ctx, s.at, mostAtOnce)
	if deaf := err != nil && ctx.Err() == nil; deaf != s.deaf {
		s.deaf = deaf
		if deaf {
			s.o.Logger.Warn("what happens is not streamed: it cannot be read", logkey.Err(err))
		}
	}
	for i := range told {
		s.at = told[i].Seq
		s.tell(told[i].Station, message(sentEvent, s.at, told[i].Event))
	}
	for _, why := range unread {
		s.tell("", message(sentGap, s.at, StreamGap{Why: why}))
	}
	now := s.statuses()
	for id, v := range now {
		if was, known := s.shown[id]; !known || !reflect.DeepEqual(lasting(was), lasting(v)) {
			s.tell(id, message(sentStation, s.at, v))
		}
	}
	s.shown = now
}

func (s *Stream) since(ctx context.Context, seq int64, most int) ([]chart.Happened, []string, error) {
	if s.o.Tail == nil {
		return nil, nil, nil
	}
	return s.o.Tail.Since(ctx, seq, most)
}

func (s *Stream) statuses() map[string]Status {
	out := map[string]Status{}
	for _, v := range s.o.Snapshots() {
		out[v.Station] = StatusOf(&v)
	}
	return out
}

// lasting is a status without what changes with every reading or second.
func lasting(v Status) Status {
	v.At, v.Reading, v.VBUSMeter, v.Temperature, v.Needs, v.Odds = time.Time{}, nil, nil, nil, nil, nil
	v.Counts.Readings = 0
	if v.Run != nil {
		run := *v.Run
		run.UptimeS = 0
		v.Run = &run
	}
	if v.USB != nil {
		usb := *v.USB
		usb.URBs = USB{}.URBs
		v.USB = &usb
	}
	return v
}

// tell sends what concerns a station, or everybody where it is none.
func (s *Stream) tell(station string, m []byte) {
	for _, c := range s.hub.Send(func(view string) bool { return view == "" || station == "" || view == station }, m) {
		s.logSlow(c.Address)
	}
}

func (s *Stream) logSlow(address string) {
	s.o.Logger.Warn("a stream did not keep up and was dropped", logkey.Address(address), logkey.Count(s.hub.Dropped()))
}

// message is one Server-Sent Event. Its id is a place in the list of all that
// happened: after it, nothing was missed that was told before.
func message(name string, at int64, v any) []byte {
	b, err := json.Marshal(v)
	if err != nil { // our own types: a test would have shown it
		name, b = sentGap, []byte(`{"why":"a message cannot be written"}`)
	}
	return fmt.Appendf(nil, "id: %s\nevent: %s\ndata: %s\n\n", chart.Cursor(at), name, b)
}

// beginning is what a client begins with.
type beginning struct {
	*fan.Client[string, []byte]
	from, to int64  // numbers of the events that were missed: after from, up to to
	now      []byte // what stands
}

// join lets somebody in, who has all up to last already; "" for nothing.
func (s *Stream) join(ctx context.Context, address, station, last string) (b beginning, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.hub.Views()) == 0 {
		if s.at, err = s.newest(ctx); err != nil {
			return b, err
		}
	}
	s.look(ctx)
	if b.Client, err = s.hub.Join(address, station); err != nil {
		return b, err
	}
	var gap *StreamGap
	b.from, gap = s.resume(last)
	b.to = s.at
	if gap != nil {
		b.now = append(b.now, message(sentGap, s.at, gap)...)
	}
	for _, v := range s.o.Snapshots() {
		if v.Station == station || station == "" {
			b.now = append(b.now, message(sentStation, s.at, s.shown[v.Station])...)
		}
	}
	return b, nil
}

func (s *Stream) newest(ctx context.Context) (int64, error) {
	if s.o.Tail == nil {
		return 0, nil
	}
	return s.o.Tail.Last(ctx)
}

// resume says after which event somebody goes on, and what of it cannot be.
func (s *Stream) resume(last string) (from int64, gap *StreamGap) {
	switch {
	case s.o.Tail == nil:
		return s.at, &StreamGap{Why: "this bench keeps no ledger: only what stations look like is streamed", How: "start benchvigil with --data"}
	case last == "":
		return s.at, nil
	case last == chart.Cursor(0):
		from = 0
	default:
		n, err := chart.ParseCursor(last)
		if err != nil || n > s.at {
			return s.at, &StreamGap{Why: fmt.Sprintf("Last-Event-ID %q is none that this bench gave: the stream goes on from now", last), How: "GET /api/v1/events"}
		}
		from = n
	}
	if n := s.at - from; n > mostResumed {
		return s.at, &StreamGap{Why: fmt.Sprintf("%d events were missed, more than a stream goes back: it goes on from now", n), How: "GET /api/v1/events"}
	}
	return from, nil
}

// serve answers with a stream.
func (s *Stream) serve(w http.ResponseWriter, r *http.Request) {
	if r.Method == http.MethodHead {
		w.Header().Set("Content-Type", "text/event-stream")
		return
	}
	station := r.URL.Query().Get("station")
	b, err := s.join(r.Context(), r.RemoteAddr, station, r.Header.Get("Last-Event-ID"))
	if err != nil {
		w.Header().Set("Retry-After", "5")
		problem(w, http.StatusServiceUnavailable, "the stream cannot begin: "+err.Error())
		return
	}
	defer s.hub.Leave(b.Client)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	err = s.begin(w, r, &b)
	if err == nil {
		err = s.goOn(w, r, b.Client)
	}
	if errors.Is(err, os.ErrDeadlineExceeded) && s.hub.Drop(b.Client) {
		s.logSlow(b.Address)
	}
}

// begin sends what was missed, and what stands. What comes meanwhile is queued.
func (s *Stream) begin(w http.ResponseWriter, r *http.Request, b *beginning) error {
	if err := fan.Write(w, []byte(streamRetries), writeWithin); err != nil {
		return err
	}
	for from := b.from; from < b.to; {
		told, unread, err := s.since(r.Context(), from, mostAtOnce)
		if err != nil {
			return err // whoever comes again is told the rest
		}
		if from, err = missed(w, b, from, told, unread); err != nil {
			return err
		}
	}
	return fan.Write(w, b.now, writeWithin)
}

// missed sends a part of what was missed, and returns up to where that is all.
func missed(w http.ResponseWriter, b *beginning, from int64, told []chart.Happened, unread []string) (int64, error) {
	var out bytes.Buffer
	for i := range told {
		h := &told[i]
		if h.Seq > b.to {
			break
		}
		from = h.Seq
		if b.View == "" || h.Station == "" || h.Station == b.View {
			out.Write(message(sentEvent, h.Seq, h.Event))
		}
	}
	for _, why := range unread {
		out.Write(message(sentGap, from, StreamGap{Why: why}))
	}
	if len(told) < mostAtOnce {
		from = b.to
	}
	return from, fan.Write(w, out.Bytes(), writeWithin)
}

// goOn sends what comes, and signs of life, until the client or the hub ends it.
func (s *Stream) goOn(w http.ResponseWriter, r *http.Request, c *fan.Client[string, []byte]) error {
	beat := time.NewTicker(streamBeat)
	defer beat.Stop()
	for {
		select {
		case m, open := <-c.Queue:
			if !open {
				return nil
			}
			if err := fan.Write(w, m, writeWithin); err != nil {
				return err
			}
			beat.Reset(streamBeat)
		case <-beat.C:
			if err := fan.Write(w, []byte(": still here\n\n"), writeWithin); err != nil {
				return err
			}
		case <-r.Context().Done(): // it went away, or may not look any more
			return nil
		}
	}
}

// addStream serves the stream.
func (a *api) addStream(h huma.API) {
	a.add(h, route{
		method: http.MethodGet, path: "stream", id: "stream", summary: "What happens, as it happens", kind: "text/event-stream",
		says: strings.Join([]string{
			"Server-Sent Events (WHATWG HTML). The stream begins with a station message of each station, and goes on until the client goes, falls behind by " + fmt.Sprint(streamQueue) + " messages, or may not look any more.",
			"Messages: event, whose data is an event as /api/v1/events gives it; station, a station as /api/v1/stations gives it, whenever anything of it changed but readings, uptime and what is expected; gap, an object {why, how}: something is not in the stream.",
			"Every message has an id. Whoever sends the last one as Last-Event-ID goes on there, and is given every event since, once each, up to " + fmt.Sprint(mostResumed) + " of them; otherwise a gap says so. After 10 s of silence a comment is a sign of life.",
		}, " "),
		params:  []*huma.Param{stationOf(), {Name: "Last-Event-ID", In: "header", Description: "The id of the message that came last.", Schema: text()}},
		refuses: []int{http.StatusNotFound, http.StatusServiceUnavailable}, handler: a.stream,
	})
}

func (a *api) stream(w http.ResponseWriter, r *http.Request) {
	if a.o.Stream == nil {
		problem(w, http.StatusNotFound, "this bench has no stream")
		return
	}
	if station := r.URL.Query().Get("station"); station != "" && !a.known(station) {
		problem(w, http.StatusNotFound, a.nobody(station))
		return
	}
	a.o.Stream.serve(w, r)
}

// Dropped counts the streams that did not keep up.
func (s *Stream) Dropped() uint64 { return s.hub.Dropped() }
