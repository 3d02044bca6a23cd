package ledger

import "context"

// Fold folds all that is committed, as if every channel had fallen silent.
func (l *Ledger) Fold(ctx context.Context) error {
	if err := l.Flush(ctx); err != nil {
		return err
	}
	for l.rec.wait() {
		if err := l.fold(ctx, true); err != nil {
			return err
		}
	}
	return nil
}

func (r *recorder) wait() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	left := false
	for _, a := range r.lanes {
		a.grown = false
		left = left || len(a.pieces) > 0
	}
	return left
}

// Retire retires at once.
func (l *Ledger) Retire(ctx context.Context) error { return l.retire(ctx) }

// WithPages limits the size of the database.
func (o Options) WithPages(n int64) Options {
	o.maxPages = n
	return o
}
