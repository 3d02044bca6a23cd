package app

import (
	"context"
	"slices"
	"sync"
	"time"

	"benchvigil/internal/alert/dispatch"
	"benchvigil/internal/ledger"
)

// box is an outbox in memory, for a bench that keeps no ledger: what waits in
// it is lost with the program.
type box struct {
	mu   sync.Mutex
	rows []dispatch.Entry
}

var _ dispatch.Store = (*box)(nil)

func (b *box) add(rows []dispatch.Entry) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.rows = append(b.rows, rows...)
}

// Due gives what waits and is due, the longest due first.
func (b *box) Due(_ context.Context, by time.Time, limit int) (out []dispatch.Entry, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, r := range b.rows {
		if !r.Due.After(by) {
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, func(a, b dispatch.Entry) int { return a.Due.Compare(b.Due) })
	return out[:min(len(out), limit)], nil
}

// Sent lets go of a message.
func (b *box) Sent(_ context.Context, key string, _ time.Time) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.rows = slices.DeleteFunc(b.rows, func(r dispatch.Entry) bool { return r.Key == key })
	return nil
}

// Failed notes when a message is to be tried again.
func (b *box) Failed(_ context.Context, key string, again time.Time, _ string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := range b.rows {
		if b.rows[i].Key == key {
			b.rows[i].Due, b.rows[i].Attempts = again, b.rows[i].Attempts+1
		}
	}
	return nil
}

// GiveUp lets go of a message.
func (b *box) GiveUp(ctx context.Context, key string, at time.Time, _ string) error {
	return b.Sent(ctx, key, at)
}

// keptHere is what outlets keep where there is no ledger: as long as the program
// runs.
type keptHere struct {
	mu sync.Mutex
	of map[string]map[string]string
}

func (k *keptHere) Kept(_ context.Context, kind string) (map[string]string, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	out := map[string]string{}
	for key, data := range k.of[kind] {
		out[key] = data
	}
	return out, nil
}

func (k *keptHere) Keep(_ context.Context, kind, key, data string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.of == nil {
		k.of = map[string]map[string]string{}
	}
	if k.of[kind] == nil {
		k.of[kind] = map[string]string{}
	}
	k.of[kind][key] = data
	return nil
}

func (k *keptHere) Forget(_ context.Context, kind, key string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	delete(k.of[kind], key)
	return nil
}

// ledgerBox is the outbox of the ledger, in the words of who delivers.
type ledgerBox struct{ *ledger.Ledger }

var _ dispatch.Store = ledgerBox{}

// Due gives what waits and is due, the longest due first.
func (b ledgerBox) Due(ctx context.Context, by time.Time, limit int) ([]dispatch.Entry, error) {
	rows, err := b.Ledger.Due(ctx, by, limit)
	out := make([]dispatch.Entry, len(rows))
	for i, r := range rows {
		out[i] = dispatch.Entry{Key: r.Key, Station: r.Station, Outlet: r.Outlet, Body: r.Body, Raised: r.Raised, Due: r.Due, Attempts: r.Attempts}
	}
	return out, err
}
