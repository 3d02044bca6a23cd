package scpi

import (
	"fmt"
	"sync"
)

// scpiError is an entry of the error queue, with SCPI-1999's numbers and words
// (volume 2, 21.8).
type scpiError struct {
	code int
	text string
}

func (e scpiError) String() string { return fmt.Sprintf("%d,%q", e.code, e.text) }

var (
	noError          = scpiError{0, "No error"}
	paramNotAllowed  = scpiError{-108, "Parameter not allowed"}
	missingParameter = scpiError{-109, "Missing parameter"}
	undefinedHeader  = scpiError{-113, "Undefined header"}
	illegalParameter = scpiError{-224, "Illegal parameter value"}
	queueOverflow    = scpiError{-350, "Queue overflow"}
	inputOverrun     = scpiError{-363, "Input buffer overrun"} // number from memory
)

// queueSize is how many entries are kept; SCPI asks for two at least.
const queueSize = 16

// errorQueue is first in, first out. When it is full the last entry becomes
// "Queue overflow". It belongs to the instrument: all its clients share it.
type errorQueue struct {
	mu      sync.Mutex
	entries []scpiError
}

func (q *errorQueue) push(e scpiError) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.entries) >= queueSize {
		q.entries[queueSize-1] = queueOverflow
		return
	}
	q.entries = append(q.entries, e)
}

func (q *errorQueue) pop() scpiError {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.entries) == 0 {
		return noError
	}
	e := q.entries[0]
	q.entries = q.entries[1:]
	return e
}

func (q *errorQueue) clear() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.entries = nil
}
