// Package fan hands the same things to many live clients and waits for none of
// them: each has a bounded queue, and one that does not keep up is dropped. It
// knows nothing of what is handed out.
package fan

import (
	"errors"
	"sync"
	"sync/atomic"
)

// Why nobody is let in.
var (
	ErrClosed  = errors.New("benchvigil is stopping")
	ErrCrowded = errors.New("too many are open already: close some")
)

// Hub has clients who each look at a View. Make one by New.
type Hub[View comparable, T any] struct {
	most, length int
	dropped      atomic.Uint64

	mu      sync.Mutex // guards all below
	clients map[*Client[View, T]]struct{}
	closed  bool
}

// Client is somebody who is connected.
type Client[View comparable, T any] struct {
	Queue   <-chan T // closed by the hub: the stream ends
	Address string
	View    View
	queue   chan T
}

// New makes a hub for so many clients at most, each of which may be so many
// things behind.
func New[View comparable, T any](most, length int) *Hub[View, T] {
	return &Hub[View, T]{most: most, length: length, clients: map[*Client[View, T]]struct{}{}}
}

// Join lets somebody in, who must Leave.
func (h *Hub[View, T]) Join(address string, v View) (*Client[View, T], error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case h.closed:
		return nil, ErrClosed
	case len(h.clients) >= h.most:
		return nil, ErrCrowded
	}
	queue := make(chan T, h.length)
	c := &Client[View, T]{queue, address, v, queue}
	h.clients[c] = struct{}{}
	return c, nil
}

// Leave forgets a client; its queue may have been closed already.
func (h *Hub[View, T]) Leave(c *Client[View, T]) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.clients, c)
}

// Views are what somebody looks at right now.
func (h *Hub[View, T]) Views() map[View]bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	out := map[View]bool{}
	for c := range h.clients {
		out[c.View] = true
	}
	return out
}

// Send hands a thing to those whose view it concerns. It never blocks. It returns
// the clients whose queues were full: they are out.
func (h *Hub[View, T]) Send(concerns func(View) bool, thing T) (slow []*Client[View, T]) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for c := range h.clients {
		if !concerns(c.View) {
			continue
		}
		select {
		case c.queue <- thing:
		default:
			h.dropLocked(c)
			slow = append(slow, c)
		}
	}
	return slow
}

// Drop throws out a client that takes nothing. It reports whether that is news.
func (h *Hub[View, T]) Drop(c *Client[View, T]) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	_, in := h.clients[c]
	if in {
		h.dropLocked(c)
	}
	return in
}

func (h *Hub[View, T]) dropLocked(c *Client[View, T]) {
	delete(h.clients, c)
	close(c.queue)
	h.dropped.Add(1)
}

// Dropped counts those who did not keep up.
func (h *Hub[View, T]) Dropped() uint64 { return h.dropped.Load() }

// Close ends all streams and lets nobody in any more.
func (h *Hub[View, T]) Close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	for c := range h.clients {
		delete(h.clients, c)
		close(c.queue)
	}
}
