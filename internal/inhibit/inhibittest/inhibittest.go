// Package inhibittest holds a fake of the system that package inhibit asks. It
// knows nothing of why a lock is wanted.
package inhibittest

import (
	"context"
	"sync"

	"benchvigil/internal/inhibit"
)

// System gives out locks and counts them. The zero System is ready; all its
// methods may be called from any goroutine.
type System struct {
	mu                 sync.Mutex
	refuse, stuck      error
	asked, held, given int
}

// Refuse makes Hold fail; nil lets it succeed again.
func (s *System) Refuse(err error) { s.set(func() { s.refuse = err }) }

// Stick makes giving a lock back fail; nil lets it succeed again.
func (s *System) Stick(err error) { s.set(func() { s.stuck = err }) }

func (s *System) set(change func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change()
}

// Hold is an inhibit.Hold.
func (s *System) Hold(context.Context, string) (inhibit.Lock, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.asked++
	if s.refuse != nil {
		return nil, s.refuse
	}
	s.held++
	s.given++
	return &lock{s}, nil
}

// Counts are how often a lock was asked for and given, and how many are held.
func (s *System) Counts() (asked, given, held int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.asked, s.given, s.held
}

type lock struct{ s *System }

func (l *lock) String() string { return "everything" }

func (l *lock) Close() error {
	l.s.mu.Lock()
	defer l.s.mu.Unlock()
	l.s.held--
	return l.s.stuck
}
