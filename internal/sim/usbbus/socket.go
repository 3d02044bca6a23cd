package usbbus

import (
	"context"
	"sync"

	"benchvigil/internal/usb"
)

// Socket receives the uevents of a bus, like a netlink socket: it holds a
// bounded number of them, drops what comes while it is full, and says so once.
type Socket struct {
	bus *Bus

	mu      sync.Mutex
	queue   [][]byte
	overran bool
	lost    uint64
	wake    chan struct{} // holds one token while there is something to receive
}

// Listen opens a socket, which hears what happens from now on.
func (b *Bus) Listen() (usb.Receiver, error) { return b.Socket(), nil }

// Socket is Listen with the concrete type.
func (b *Bus) Socket() *Socket {
	s := &Socket{bus: b, wake: make(chan struct{}, 1)}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.sockets[s] = struct{}{}
	return s
}

// Close ends the hearing.
func (s *Socket) Close() error {
	s.bus.mu.Lock()
	defer s.bus.mu.Unlock()
	delete(s.bus.sockets, s)
	return nil
}

// Lost is how many uevents were dropped so far.
func (s *Socket) Lost() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.lost
}

// Receive waits for the next uevent. An overrun is told before what was queued
// before it, as the kernel does.
func (s *Socket) Receive(ctx context.Context) (usb.Uevent, error) {
	for {
		message, overran := s.pop()
		switch {
		case overran:
			return usb.Uevent{}, usb.ErrOverrun
		case message != nil:
			return usb.ParseUevent(message)
		}
		select {
		case <-ctx.Done():
			return usb.Uevent{}, ctx.Err()
		case <-s.wake:
		}
	}
}

func (s *Socket) push(message []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.queue) < s.bus.depth {
		s.queue = append(s.queue, message)
	} else {
		s.overran = true
		s.lost++
	}
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

func (s *Socket) pop() (message []byte, overran bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.overran {
		s.overran = false
		return nil, true
	}
	if len(s.queue) > 0 {
		message, s.queue = s.queue[0], s.queue[1:]
	}
	return message, false
}
