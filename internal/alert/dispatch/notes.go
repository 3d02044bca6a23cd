package dispatch

import (
	"context"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/logkey"
)

// note is something that the store has to know.
type note struct {
	kind noteKind
	key  string
	at   time.Time
	why  string
}

type noteKind int

const (
	sent noteKind = iota
	failed
	givenUp
)

// notes writes into the store beside the deliveries: those wait for no disk. It
// keeps the order, and keeps what the store refuses until it takes it. What waits
// is bounded by what the store gave out: without it nothing new is to be noted.
type notes struct {
	store Store
	log   *zap.Logger
	wake  chan struct{}

	mu   sync.Mutex
	list []note
}

func newNotes(s Store, log *zap.Logger) *notes {
	return &notes{store: s, log: log, wake: make(chan struct{}, 1)}
}

func (n *notes) add(more ...note) {
	n.mu.Lock()
	n.list = append(n.list, more...)
	n.mu.Unlock()
	select {
	case n.wake <- struct{}{}:
	default:
	}
}

// run writes until the context is done, then what is left, once.
func (n *notes) run(ctx context.Context) {
	wait, refused := time.Duration(0), 0
	for {
		err := n.write(ctx)
		wait = 0
		if err != nil {
			refused++
			wait = backoff(refused, time.Minute, 1)
		}
		if ctx.Err() == nil {
			n.report(refused, err)
		}
		if err == nil {
			refused = 0
		}
		if !n.rest(ctx, wait) {
			break
		}
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace)
	defer cancel()
	if err := n.write(last); err != nil {
		n.log.Warn("deliveries are not noted: they are repeated after the next start", logkey.Err(err))
	}
}

// report logs the first refusal of several, and the end of them.
func (n *notes) report(refused int, err error) {
	switch {
	case err != nil && refused == 1:
		n.log.Error("outbox cannot be written", logkey.Err(err))
	case err == nil && refused > 0:
		n.log.Info("outbox is written again")
	}
}

// rest waits for something to do, or until a refused write is tried again.
func (n *notes) rest(ctx context.Context, wait time.Duration) bool {
	if wait == 0 {
		select {
		case <-ctx.Done():
			return false
		case <-n.wake:
			return true
		}
	}
	select {
	case <-ctx.Done():
		return false
	case <-time.After(wait):
		return true
	}
}

// write writes all that waits, and stops at what the store refuses. A try that
// failed is not worth trying again: its time is in memory.
func (n *notes) write(ctx context.Context) error {
	for {
		next, ok := n.first()
		if !ok {
			return nil
		}
		err := n.one(ctx, next)
		if err != nil && next.kind != failed {
			return err
		}
		n.drop()
		if err != nil {
			return err
		}
	}
}

func (n *notes) first() (note, bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if len(n.list) == 0 {
		return note{}, false
	}
	return n.list[0], true
}

func (n *notes) drop() {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.list = slices.Delete(n.list, 0, 1)
}

func (n *notes) one(ctx context.Context, x note) error {
	ctx, cancel := context.WithTimeout(ctx, storing)
	defer cancel()
	switch x.kind {
	case sent:
		return n.store.Sent(ctx, x.key, x.at)
	case failed:
		return n.store.Failed(ctx, x.key, x.at, x.why)
	default:
		return n.store.GiveUp(ctx, x.key, x.at, x.why)
	}
}
