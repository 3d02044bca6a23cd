package ledger

import (
	"context"
	"fmt"
	"iter"

	"benchvigil/internal/trace"
)

// Rollups gives the one-second roll-ups of a station's readings that fall into
// the interval, in the order in which they were recorded. channel is that of
// the readings, empty for the board's supply. A second into which the end of a
// block falls has two.
func (r *Reader) Rollups(ctx context.Context, q Query, channel string) iter.Seq2[trace.Rollup, error] {
	from, to := q.span()
	return func(yield func(trace.Rollup, error) bool) {
		err := r.rollups(ctx, q.Station, channel, func(rs []trace.Rollup, err error) bool {
			if err != nil {
				return yield(trace.Rollup{}, err)
			}
			for _, v := range rs {
				if v.At+999 >= from && v.At <= to && !yield(v, nil) {
					return false
				}
			}
			return true
		}, from, to)
		if err != nil {
			yield(trace.Rollup{}, err)
		}
	}
}

// rollups gives those of each block, then those of the pieces that are in none.
func (r *Reader) rollups(ctx context.Context, station, channel string, give func([]trace.Rollup, error) bool, from, to int64) error {
	tx, err := r.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() //nolint:errcheck // nothing was written
	var id int64
	err = tx.QueryRowContext(ctx, `SELECT channel.id FROM channel JOIN station ON station.id = station
		WHERE station.name = ? AND kind = ? AND channel.name = ?`, station, trace.Readings, channel).Scan(&id)
	if err != nil {
		return fmt.Errorf("readings of station %q: %w", station, noRows(err))
	}
	m := &merge{ctx: ctx, tx: tx}
	frames, err := m.pieces()
	if err != nil {
		return err
	}
	enough := false
	err = each(ctx, tx, `SELECT block.id, rollup.data FROM block JOIN rollup ON rollup.id = block.id
		WHERE channel = ? AND end >= ? AND start <= ? ORDER BY block.id`, func(s scan) error {
		var block int64
		var data []byte
		if err := s(&block, &data); err != nil {
			return err
		}
		rs, err := trace.DecodeRollups(data)
		if err != nil {
			err = fmt.Errorf("roll-ups of block %d: %w: %w", block, ErrDamaged, err)
		}
		if enough = !give(rs, err); enough {
			return errEnough
		}
		return nil
	}, id, from, to)
	if enough || err != nil {
		return ended(err)
	}
	var points []trace.Point
	for _, f := range frames[id] {
		if ps, err := trace.Decode(f.chunk.data); err == nil {
			points = append(points, ps...)
		}
	}
	give(trace.Rollups(points), nil)
	return nil
}
