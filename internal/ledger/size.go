package ledger

import "context"

// Sizes say how much there is, in bytes.
type Sizes struct {
	Stored  int64 // in the store, free pages not counted, as measured within the last minute; 0: not yet
	Waiting int64 // observations in memory that are packed and not committed
}

// Sizes asks no disk, so it never waits for one.
func (l *Ledger) Sizes() Sizes {
	l.rec.mu.Lock()
	defer l.rec.mu.Unlock()
	return Sizes{Stored: l.stored.Load(), Waiting: int64(l.rec.size)}
}

// measure is the keeper's, once a minute.
func (l *Ledger) measure(ctx context.Context) error {
	used, err := l.Used(ctx)
	if err == nil {
		l.stored.Store(used)
	}
	return err
}
