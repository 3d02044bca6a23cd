package web

import (
	"bytes"
	"context"
	"errors"
	"html"
	"maps"
	"net/http"
	"os"
	"reflect"
	"sync"
	"time"

	"benchvigil/internal/access"
	"benchvigil/internal/fan"
	"benchvigil/internal/logkey"
)

const (
	mostClients = 512               // live pages at a time
	queueLength = 16                // updates that wait for one client: four seconds of them
	writeWithin = 3 * time.Second   // how long one write to a client may take
	beatEvery   = time.Second       // between two signs of life
	retryAfter  = "retry: 1000\n\n" // tells the browser when to come again, in milliseconds
)

// A live page is a client of a hub, and looks at a view. One that does not keep
// up is dropped: it comes again by itself and begins with a fresh grid.
type (
	hub    = fan.Hub[view, []byte]
	client = fan.Client[view, []byte]
)

func newHub() *hub { return fan.New[view, []byte](mostClients, queueLength) }

// give hands an update to all who look at a view, and returns who were too slow.
func give(h *hub, v view, update []byte) (slow []*client) {
	return h.Send(func(of view) bool { return of == v }, update)
}

// Dropped counts the live clients that were dropped because they did not keep
// up.
func (s *Site) Dropped() uint64 { return s.live.Dropped() }

// Run brings the live pages up to date until ctx ends. It returns nil.
func (s *Site) Run(ctx context.Context) error {
	tick, beat := time.NewTicker(s.o.Every), time.NewTicker(beatEvery)
	defer tick.Stop()
	defer beat.Stop()
	sent := map[view]shown{}
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			s.refresh(sent)
		case <-beat.C:
			now := event("time", []byte(s.look().Now))
			for v := range s.live.Views() {
				s.tell(v, now)
			}
		}
	}
}

// refresh sends every view what changed in it. While nobody looks at one there
// is nothing to render, and nothing is known of what the next one will see.
func (s *Site) refresh(sent map[view]shown) {
	l, views := s.look(), s.live.Views()
	s.hellos.renew(&l)
	maps.DeleteFunc(sent, func(v view, _ shown) bool { return !views[v] })
	for v := range views {
		if sent[v] == nil {
			sent[v] = shown{}
		}
		s.tell(v, s.changes(&l, v, sent[v]))
	}
}

// shown is what the clients of a view were sent last, by element.
type shown map[string]any

// changes renders what differs from what was shown, and all of it where other
// elements stand than before.
func (s *Site) changes(l *Look, v view, shown shown) []byte {
	var fresh []element
	parts := v.parts(l)
	if all := keys(parts); shown["keys"] != all {
		clear(shown)
		shown["keys"], shown["ticks"] = all, map[string]map[string]string{}
		for _, p := range parts {
			shown[p.id] = p.data
		}
		fresh = v.whole(l)
	}
	for _, p := range parts {
		if !reflect.DeepEqual(shown[p.id], p.data) {
			shown[p.id] = p.data
			fresh = append(fresh, p)
		}
	}
	out := append(s.swap(fresh), ticksOf(v.ticking(l), shown["ticks"].(map[string]map[string]string))...)
	if shown["time"] != l.Now {
		shown["time"] = l.Now
		out = append(out, event("time", []byte(l.Now))...)
	}
	return out
}

// swap is a message that puts elements into a page in place of those that have
// their ids, as htmx reads it; nil for none.
func (s *Site) swap(parts []element) []byte {
	var out []byte
	for _, p := range parts {
		b, err := render(p.component)
		if err != nil {
			s.o.Logger.Error("a part of the page cannot be rendered", logkey.Err(err))
			continue
		}
		out = append(append(out, `<hx-partial hx-swap="outerMorph" hx-target="#`+html.EscapeString(p.id)+`">`...), b...)
		out = append(out, "</hx-partial>\n"...)
	}
	if out == nil {
		return nil
	}
	return event("", out)
}

// tell sends an update to everybody who looks at a view and logs who was too slow for it.
func (s *Site) tell(v view, update []byte) {
	if len(update) == 0 {
		return
	}
	for _, c := range give(s.live, v, update) {
		s.logSlow(c)
	}
}

func (s *Site) logSlow(c *client) {
	s.o.Logger.Warn("a live page did not keep up and was dropped", logkey.Address(c.Address), logkey.Count(s.Dropped()))
}

// event is one Server-Sent Event (WHATWG HTML, "Server-sent events"); one without
// a name is for htmx. A carriage return would end a line there.
func event(name string, data []byte) []byte {
	var out []byte
	if name != "" {
		out = []byte("event: " + name + "\n")
	}
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
	v := viewOf(r.URL.Query())
	v.viewer = !access.Of(r.Context()).Works()
	c, err := s.live.Join(r.RemoteAddr, v)
	if err != nil {
		http.Error(w, err.Error(), http.StatusServiceUnavailable)
		return
	}
	defer s.live.Leave(c)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	// All is rendered after joining: what changes meanwhile is queued.
	for update := s.hello(c.View); ; {
		if err := fan.Write(w, update, writeWithin); err != nil {
			if errors.Is(err, os.ErrDeadlineExceeded) && s.live.Drop(c) {
				s.logSlow(c)
			}
			return // otherwise the page was closed
		}
		var open bool
		select {
		case update, open = <-c.Queue:
			if !open {
				return
			}
		case <-r.Context().Done():
			return
		}
	}
}

// hellos are how the streams of a view begin. They show what the last refresh saw,
// for the next one sends only what differs from that; and each is rendered once,
// for after a break all walls come back at once.
type hellos struct {
	mu   sync.Mutex
	last *Look // nil before the first refresh
	made map[view][]byte
}

// renew is called before what a refresh saw is sent: whoever joined too late for
// that begins with it, and whoever gets it twice sees no difference.
func (h *hellos) renew(l *Look) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.last, h.made = l, map[view][]byte{}
}

// hello is how every stream begins.
func (s *Site) hello(v view) []byte {
	h := &s.hellos
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.last == nil {
		l := s.look()
		return s.begin(v, &l)
	}
	if h.made[v] == nil {
		h.made[v] = s.begin(v, h.last)
	}
	return h.made[v]
}

func (s *Site) begin(v view, l *Look) []byte {
	out := append([]byte(retryAfter), event("hello", []byte(s.assets))...)
	out = append(out, s.swap(v.whole(l))...)
	return append(out, event("time", []byte(l.Now))...)
}
