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
	last bool // what was added before must be written first
}

type noteKind int

const (
	sent noteKind = iota
	failed
	givenUp
)

// together is how many notes are written at the same time: a store may put them
// into one transaction.
const together = 64

// notes writes into the store beside the deliveries: those wait for no disk. It
// keeps what the store refuses until it takes it. What waits is bounded by what the
// store gave out: without it nothing new is to be noted.
type notes struct {
	store Store
	log   *zap.Logger
	wake  chan struct{}

	mu   sync.Mutex
	list []note
	done map[string]int // keys in the list that need no delivery any more
}

func newNotes(s Store, log *zap.Logger) *notes {
	return &notes{store: s, log: log, wake: make(chan struct{}, 1), done: map[string]int{}}
}

func (n *notes) add(more ...note) {
	n.mu.Lock()
	n.list = append(n.list, more...)
	for _, x := range more {
		if x.kind != failed {
			n.done[x.key]++
		}
	}
	n.mu.Unlock()
	select {
	case n.wake <- struct{}{}:
	default:
	}
}

// settled reports a key of which the store will hear that it is done.
func (n *notes) settled(key string) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.done[key] > 0
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
// failed is not worth trying to note again: its time is in memory.
func (n *notes) write(ctx context.Context) error {
	for {
		next := n.first()
		if len(next) == 0 {
			return nil
		}
		errs := make([]error, len(next))
		var wg sync.WaitGroup
		for i, x := range next {
			wg.Go(func() { errs[i] = n.one(ctx, x) })
		}
		wg.Wait()
		n.drop(next, errs)
		if i := slices.IndexFunc(errs, func(err error) bool { return err != nil }); i >= 0 {
			return errs[i]
		}
	}
}

// first are the notes that may be written now, in any order.
func (n *notes) first() []note {
	n.mu.Lock()
	defer n.mu.Unlock()
	most := min(len(n.list), together)
	for i := 1; i < most; i++ {
		if n.list[i].last {
			most = i
		}
	}
	return slices.Clone(n.list[:most])
}

// drop lets go of what was taken, and of failed tries.
func (n *notes) drop(tried []note, errs []error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	var kept []note
	for i, x := range tried {
		if errs[i] != nil && x.kind != failed {
			kept = append(kept, x)
			continue
		}
		if x.kind == failed {
			continue
		}
		if n.done[x.key]--; n.done[x.key] == 0 {
			delete(n.done, x.key)
		}
	}
	n.list = append(kept, n.list[len(tried):]...)
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
