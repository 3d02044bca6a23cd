package web

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"os"
	"reflect"
	"sync"
	"sync/atomic"
	"time"

	"benchvigil/internal/logkey"
)

const (
	mostClients = 64                // live pages at a time
	queueLength = 16                // updates that wait for one client: four seconds of them
	writeWithin = 3 * time.Second   // how long one write to a client may take
	beatEvery   = time.Second       // between two signs of life
	retryAfter  = "retry: 1000\n\n" // tells the browser when to come again, in milliseconds
)

// hub hands the same bytes to every live client. A client that does not keep
// up is dropped: it comes again by itself and begins with a fresh grid.
type hub struct {
	mu      sync.Mutex
	clients map[*client]struct{}
	closed  bool
	dropped atomic.Uint64
}

type client struct {
	queue   chan []byte // closed by the hub: the stream ends
	address string
}

var (
	errClosed  = errors.New("benchvigil is stopping")
	errCrowded = errors.New("too many pages are open: close some")
)

func (h *hub) join(address string) (*client, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case h.closed:
		return nil, errClosed
	case len(h.clients) >= mostClients:
		return nil, errCrowded
	}
	c := &client{make(chan []byte, queueLength), address}
	h.clients[c] = struct{}{}
	return c, nil
}

// leave forgets a client; its queue may have been closed already.
func (h *hub) leave(c *client) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.clients, c)
}

func (h *hub) empty() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.clients) == 0
}

// send never blocks. It returns the clients whose queues were full: they are
// out.
func (h *hub) send(update []byte) (slow []*client) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for c := range h.clients {
		select {
		case c.queue <- update:
		default:
			h.dropLocked(c)
			slow = append(slow, c)
		}
	}
	return slow
}

// drop throws out a client that takes nothing. It reports whether that is
// news.
func (h *hub) drop(c *client) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	_, in := h.clients[c]
	if in {
		h.dropLocked(c)
	}
	return in
}

func (h *hub) dropLocked(c *client) {
	delete(h.clients, c)
	close(c.queue)
	h.dropped.Add(1)
}

// close ends all streams and lets nobody in any more.
func (h *hub) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	for c := range h.clients {
		delete(h.clients, c)
		close(c.queue)
	}
}

// Dropped counts the live clients that were dropped because they did not keep
// up.
func (s *Site) Dropped() uint64 { return s.live.dropped.Load() }

// Run brings the live pages up to date until ctx ends. It returns nil.
func (s *Site) Run(ctx context.Context) error {
	tick, beat := time.NewTicker(s.o.Every), time.NewTicker(beatEvery)
	defer tick.Stop()
	defer beat.Stop()
	var f Front
	shown := shown{}
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			f = s.look()
			s.tell(s.changes(&f, shown))
		case <-beat.C:
			s.tell(event("time", []byte(s.look().Now)))
		}
	}
}

// shown is what clients were sent last, by element.
type shown map[string]any

// changes renders what differs from what was shown. While nobody looks there
// is nothing to render, and nothing is known of what the next one will see.
func (s *Site) changes(f *Front, shown shown) []byte {
	if s.live.empty() {
		clear(shown)
		return nil
	}
	var out []byte
	part := func(key, template string, data any) {
		if reflect.DeepEqual(shown[key], data) {
			return
		}
		shown[key] = data
		out = append(out, s.part(template, data)...)
	}
	part("summary", "summary", f.Summary)
	for _, t := range f.Grid.Tiles {
		part("tile "+t.Station, "tile", t)
	}
	if shown["time"] != f.Now {
		shown["time"] = f.Now
		out = append(out, event("time", []byte(f.Now))...)
	}
	return out
}

// part is a rendered element as an event.
func (s *Site) part(template string, data any) []byte {
	b, err := s.render(template, data)
	if err != nil {
		s.o.Logger.Error("a part of the page cannot be rendered", logkey.Err(err))
		return nil
	}
	return event("part", b)
}

// tell sends an update to everybody and logs who was too slow for it.
func (s *Site) tell(update []byte) {
	if len(update) == 0 {
		return
	}
	for _, c := range s.live.send(update) {
		s.logSlow(c)
	}
}

func (s *Site) logSlow(c *client) {
	s.o.Logger.Warn("a live page did not keep up and was dropped", logkey.Address(c.address), logkey.Count(s.Dropped()))
}

// event is one Server-Sent Event (WHATWG HTML, "Server-sent events"). A
// carriage return would end a line there.
func event(name string, data []byte) []byte {
	out := []byte("event: " + name + "\n")
	data = bytes.ReplaceAll(bytes.TrimSpace(data), []byte("\r"), nil)
	for line := range bytes.SplitSeq(data, []byte("\n")) {
		out = append(append(append(out, "data: "...), line...), '\n')
	}
	return append(out, '\n')
}

func (s *Site) serveLive(w http.ResponseWriter, r *http.Request) {
	if r.Method == http.MethodHead {
		w.Header().Set("Content-Type", "text/event-stream")
		return
	}
	c, err := s.live.join(r.RemoteAddr)
	if err != nil {
		http.Error(w, err.Error(), http.StatusServiceUnavailable)
		return
	}
	defer s.live.leave(c)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	// The grid is rendered after joining: what changes meanwhile is queued.
	for update := s.hello(); ; {
		if err := write(w, update); err != nil {
			if errors.Is(err, os.ErrDeadlineExceeded) && s.live.drop(c) {
				s.logSlow(c)
			}
			return // otherwise the page was closed
		}
		var open bool
		select {
		case update, open = <-c.queue:
			if !open {
				return
			}
		case <-r.Context().Done():
			return
		}
	}
}

// hello is how every stream begins.
func (s *Site) hello() []byte {
	f := s.look()
	out := append([]byte(retryAfter), event("hello", []byte(s.assets))...)
	out = append(out, s.part("summary", f.Summary)...)
	out = append(out, s.part("grid", f.Grid)...)
	return append(out, event("time", []byte(f.Now))...)
}

// write sends at once, and gives up on a client that takes nothing. The
// deadline also replaces the server's own, which would end every stream.
func write(w http.ResponseWriter, b []byte) error {
	rc := http.NewResponseController(w)
	if err := rc.SetWriteDeadline(time.Now().Add(writeWithin)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	if _, err := w.Write(b); err != nil {
		return err
	}
	return rc.Flush()
}
