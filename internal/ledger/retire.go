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
		before := cutoff
		full, err := l.overfull(ctx)
		if err != nil {
			return err
		}
		if full {
			before = math.MaxInt64
		}
		n, err := l.retireSome(ctx, before)
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
type retired struct{ id, station, end int64 }

func (l *Ledger) retireSome(ctx context.Context, before int64) (int, error) {
	blocks, err := l.oldestBlocks(ctx, before)
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

// oldestBlocks are those that ended before, and do not belong to a watch that
// is armed. Blocks are numbered as they were made, so the first to be kept ends
// the search.
func (l *Ledger) oldestBlocks(ctx context.Context, before int64) (out []retired, err error) {
	err = each(ctx, l.Reader.db, `SELECT block.id, channel.station, block.end,
		coalesce(block.end >= (SELECT min(armed) FROM watch WHERE watch.station = channel.station AND outcome = 'armed'), 0)
		FROM block JOIN channel ON channel.id = block.channel ORDER BY block.id`, func(s scan) error {
		var b retired
		var watched bool
		if err := s(&b.id, &b.station, &b.end, &watched); err != nil {
			return err
		}
		switch {
		case watched:
			return nil
		case b.end >= before || len(out) == retireAtOnce:
			return errEnough
		}
		out = append(out, b)
		return nil
	})
	return out, ended(err)
}

func (b *retired) delete(tx *sql.Tx) error {
	for _, q := range []string{`DELETE FROM rollup WHERE id = ?`, `DELETE FROM block WHERE id = ?`} {
		if _, err := tx.Exec(q, b.id); err != nil {
			return err
		}
	}
	_, err := tx.Exec(`DELETE FROM fact WHERE station = ? AND at <= ?`, b.station, b.end)
	return err
}
