package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
)

// retireAtOnce is how many blocks go in one transaction.
const retireAtOnce = 100

// errEnough ends a look through rows.
var errEnough = errors.New("enough")

// retire deletes the oldest blocks, and the facts of their time, that are older
// than they have to be kept or for which there is no room.
func (l *Ledger) retire(ctx context.Context) error {
	cutoff := int64(math.MinInt64)
	if l.o.Retain.Age > 0 {
		cutoff = l.o.Now().Add(-l.o.Retain.Age).UnixMilli()
	}
	for {
		full, err := l.overfull(ctx)
		if err != nil {
			return err
		}
		n, err := l.retireSome(ctx, cutoff, full)
		if err != nil || n < retireAtOnce && !full || n == 0 {
			return err
		}
	}
}

// overfull reports that the store is larger than it may be, free pages not
// counted.
func (l *Ledger) overfull(ctx context.Context) (bool, error) {
	if l.o.Retain.Bytes <= 0 {
		return false, nil
	}
	used, err := l.Used(ctx)
	return used > l.o.Retain.Bytes, err
}

// retired is a block that goes.
type retired struct{ id, station, stretch, end int64 }

func (l *Ledger) retireSome(ctx context.Context, cutoff int64, full bool) (int, error) {
	blocks, err := l.agedBlocks(ctx, cutoff)
	if full && err == nil && len(blocks) == 0 {
		blocks, err = l.oldestBlocks(ctx)
	}
	if err != nil || len(blocks) == 0 {
		return 0, err
	}
	err = l.submit(ctx, job{do: func(tx *sql.Tx) error {
		for _, b := range blocks {
			if err := b.delete(tx); err != nil {
				return fmt.Errorf("delete block %d: %w", b.id, err)
			}
		}
		return nil
	}})
	if err == nil {
		l.counts.retired.Add(uint64(len(blocks)))
	}
	return len(blocks), err
}

// armed is the moment from which on the traces of a channel's station are kept.
const armed = `(SELECT min(armed) FROM watch INDEXED BY watch_open WHERE watch.station = channel.station AND outcome = 'armed')`

// agedBlocks are some of those that ended before a moment, and do not belong to
// a watch that is armed. Each channel's are found by their end: where the clock
// was wrong, they do not end in the order in which they were made.
func (l *Ledger) agedBlocks(ctx context.Context, cutoff int64) ([]retired, error) {
	return l.blocks(ctx, `SELECT block.id, channel.station, block.stretch, block.end FROM channel CROSS JOIN block ON channel = channel.id
		WHERE block.end < min(?, coalesce(`+armed+`, ?1)) LIMIT ?`, cutoff, retireAtOnce)
}

// oldestBlocks are those that were made first, and do not belong to a watch
// that is armed.
func (l *Ledger) oldestBlocks(ctx context.Context) ([]retired, error) {
	return l.blocks(ctx, `SELECT block.id, channel.station, block.stretch, block.end FROM block CROSS JOIN channel ON channel.id = channel
		WHERE coalesce(block.end < `+armed+`, 1) ORDER BY block.id LIMIT ?`, retireAtOnce)
}

func (l *Ledger) blocks(ctx context.Context, query string, args ...any) (out []retired, err error) {
	err = each(ctx, l.Reader.db, query, func(s scan) error {
		var b retired
		err := s(&b.id, &b.station, &b.stretch, &b.end)
		out = append(out, b)
		return err
	}, args...)
	return out, err
}

// delete deletes a block and the facts up to its end, but not those of a later stretch,
// which may bear an earlier time.
func (b *retired) delete(tx *sql.Tx) error {
	for _, q := range []string{`DELETE FROM rollup WHERE id = ?`, `DELETE FROM block WHERE id = ?`} {
		if _, err := tx.Exec(q, b.id); err != nil {
			return err
		}
	}
	_, err := tx.Exec(`DELETE FROM fact WHERE station = ? AND at <= ? AND stretch <= ?`, b.station, b.end, b.stretch)
	return err
}
