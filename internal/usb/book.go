package usb

import (
	"cmp"
	"sync"
	"time"
)

// hint is what the uevents since the last look said about one port. It decides
// only when a change happened, never what changed.
type hint struct{ first, last, removed, added time.Time }

// note takes one more message, oldest first.
func (h *hint) note(action string, at time.Time) {
	h.first, h.last = cmp.Or(h.first, at), at
	switch action {
	case "remove":
		h.removed = cmp.Or(h.removed, at)
	case "add":
		h.added = at
	}
}

// then joins a later hint to this one. Hints are ordered by arrival, not by
// the clock, which may be stepped.
func (h hint) then(n hint) hint {
	h.first, h.removed = cmp.Or(h.first, n.first), cmp.Or(h.removed, n.removed)
	h.last, h.added = cmp.Or(n.last, h.last), cmp.Or(n.added, h.added)
	return h
}

// left is when a device that is no longer there went away.
func (h hint) left(now time.Time) time.Time { return cmp.Or(h.removed, cmp.Or(h.first, now)) }

// came is when a device that was not there before appeared.
func (h hint) came(now time.Time) time.Time { return cmp.Or(h.added, cmp.Or(h.last, now)) }

// book is where the receiving goroutine leaves what it heard, coalesced, so
// that no storm can fill it: one hint for each watched port.
type book struct {
	ports map[string]string // watched, never changed
	wake  chan struct{}     // holds one token while there are hints

	mu            sync.Mutex
	hints         map[string]hint
	seq           sequence
	uevents, lost uint64 // totals
	devices       uint64 // total of messages about watched devices
	stale         bool   // something was missed: look at everything
	overran       bool   // since it was last asked for
	deaf          bool   // nothing is listening
}

func newBook(ports map[string]string) *book {
	return &book{ports: ports, wake: make(chan struct{}, 1), hints: map[string]hint{}, deaf: true}
}

// heard notes one message.
func (b *book) heard(u Uevent, at time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.uevents++
	gap, lost := b.seq.take(u.Seq)
	b.lost += lost
	b.stale = b.stale || gap
	port, ok := u.Port()
	if _, watched := b.ports[port]; !ok || !watched {
		return
	}
	b.devices++
	h := b.hints[port]
	h.note(u.Action, at)
	b.hints[port] = h
	select {
	case b.wake <- struct{}{}:
	default:
	}
}

// overrun notes that the kernel had no room left for messages.
func (b *book) overrun() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.lost += b.seq.overrun()
	b.stale, b.overran = true, true
}

// garbled notes a message that could not be read. Its number is missed by the
// next one.
func (b *book) garbled() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.stale = true
}

// listening says whether messages can arrive from now on. What happened before
// has to be looked for.
func (b *book) listening(ok bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.deaf = !ok
	b.stale = true
	b.lost += b.seq.settle()
	b.seq.next = 0
}

// take calls give with every hint and forgets them.
func (b *book) take(give func(port string, h hint)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for port, h := range b.hints {
		give(port, h)
	}
	clear(b.hints)
}

// takeStale reports, once, that everything has to be looked at.
func (b *book) takeStale() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	stale := b.stale
	b.stale = false
	return stale
}

// takeOverran reports, once, that the kernel dropped messages.
func (b *book) takeOverran() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	overran := b.overran
	b.overran = false
	return overran
}

// settle counts as lost what is missing for good.
func (b *book) settle() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.lost += b.seq.settle()
}

// state reports whether anything listens, and the number of messages about
// watched devices so far.
func (b *book) state() (deaf bool, devices uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.deaf, b.devices
}

// totals returns the messages received and known to be lost.
func (b *book) totals() (uevents, lost uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.uevents, b.lost
}
