package ledger

import (
	"context"
	"fmt"
	"path/filepath"
)

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

// FoldOnce folds what is committed now, also under load.
func (l *Ledger) FoldOnce(ctx context.Context) error {
	l.rec.wait()
	return l.fold(ctx, true)
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

// Checkpoint does at once what the keeper does now and then.
func (l *Ledger) Checkpoint(ctx context.Context) error { return l.checkpoint(ctx) }

// Retire retires at once.
func (l *Ledger) Retire(ctx context.Context) error { return l.retire(ctx) }

// SetPages limits the size of the database of an open ledger.
func (l *Ledger) SetPages(ctx context.Context, n int64) error {
	_, err := l.write.ExecContext(ctx, fmt.Sprintf("PRAGMA max_page_count = %d", n))
	return err
}

// SetVersion makes the store of a folder look as a program of that version
// left it.
func SetVersion(ctx context.Context, dir string, version int) error {
	db, err := openWriter(filepath.Join(dir, fileName))
	if err != nil {
		return err
	}
	defer db.Close() //nolint:errcheck // a test
	_, err = db.ExecContext(ctx, `INSERT INTO goose_db_version (version_id, is_applied) VALUES (?, 1)`, version)
	return err
}

// FoldDue folds what the keeper would fold now.
func (l *Ledger) FoldDue(ctx context.Context) error { return l.fold(ctx, false) }

// Measure is what the keeper does once a minute.
func (l *Ledger) Measure(ctx context.Context) error { return l.measure(ctx) }
