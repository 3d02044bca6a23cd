package usbtest

import (
	"context"
	"sync"

	"benchvigil/internal/usb"
)

// Script is a receiver that says what a test tells it to, in order. Nothing is
// bounded. The zero Script is ready.
type Script struct {
	mu     sync.Mutex
	queue  []said
	wake   chan struct{}
	closed int
	refuse error
}

type said struct {
	message []byte
	err     error
}

// Listen returns the script itself, or the error given to Refuse.
func (s *Script) Listen() (usb.Receiver, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.refuse != nil {
		return nil, s.refuse
	}
	return s, nil
}

// Refuse makes Listen fail; nil lets it succeed again.
func (s *Script) Refuse(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.refuse = err
}

// Send queues the bytes of a uevent.
func (s *Script) Send(message []byte) { s.push(said{message: message}) }

// Fail queues an error, usb.ErrOverrun for instance.
func (s *Script) Fail(err error) { s.push(said{err: err}) }

func (s *Script) push(what said) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.queue = append(s.queue, what)
	if s.wake != nil {
		close(s.wake)
		s.wake = nil
	}
}

// Receive parses the next message.
func (s *Script) Receive(ctx context.Context) (usb.Uevent, error) {
	for {
		what, wake, ok := s.pop()
		if ok && what.err != nil {
			return usb.Uevent{}, what.err
		}
		if ok {
			return usb.ParseUevent(what.message)
		}
		select {
		case <-ctx.Done():
			return usb.Uevent{}, ctx.Err()
		case <-wake:
		}
	}
}

// pop takes the next entry, or returns a channel that is closed by the next
// push.
func (s *Script) pop() (what said, wake <-chan struct{}, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.queue) > 0 {
		what, s.queue = s.queue[0], s.queue[1:]
		return what, nil, true
	}
	if s.wake == nil {
		s.wake = make(chan struct{})
	}
	return said{}, s.wake, false
}

// Close counts.
func (s *Script) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed++
	return nil
}

// Closed is how often Close was called.
func (s *Script) Closed() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.closed
}
