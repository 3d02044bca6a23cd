package ledger

import (
	"context"
	"database/sql"
	"fmt"

	"benchvigil/internal/trace"
)

// load takes up where the store stands: names, and pieces that wait to be
// folded.
func (r *recorder) load(ctx context.Context, db *sql.DB) error {
	r.stations = map[string]*line{}
	byID := map[int64]*line{}
	if err := each(ctx, db, `SELECT id, name FROM station`, func(s scan) error {
		ln := &line{lanes: map[trace.Channel]*lane{}}
		if err := s(&ln.id, &ln.name); err != nil {
			return err
		}
		r.stations[ln.name], byID[ln.id] = ln, ln
		r.station = max(r.station, ln.id)
		return nil
	}); err != nil {
		return fmt.Errorf("read stations: %w", err)
	}
	lanes, err := r.loadChannels(ctx, db, byID)
	if err != nil {
		return fmt.Errorf("read channels: %w", err)
	}
	if err := db.QueryRowContext(ctx, `SELECT coalesce(max(id), 0) FROM stretch`).Scan(&r.stretch); err != nil {
		return fmt.Errorf("read stretches: %w", err)
	}
	return r.loadFrames(ctx, db, lanes)
}

// unfolded is a channel whose pieces up to a number are in blocks.
type unfolded struct {
	*lane
	upTo int64
}

// loadChannels returns them by number. One of a station that is not there any
// more is passed over.
func (r *recorder) loadChannels(ctx context.Context, db *sql.DB, byID map[int64]*line) (map[int64]unfolded, error) {
	out := map[int64]unfolded{}
	return out, each(ctx, db, `SELECT id, station, kind, name, folded FROM channel ORDER BY id`, func(s scan) error {
		a := &lane{first: blockLasts.Milliseconds()}
		var station, upTo int64
		if err := s(&a.id, &station, &a.channel.Kind, &a.channel.Name, &upTo); err != nil {
			return err
		}
		r.piece, r.channel = max(r.piece, upTo), max(r.channel, a.id)
		if a.line = byID[station]; a.line == nil {
			return nil
		}
		a.line.lanes[a.channel] = a
		r.lanes = append(r.lanes, a)
		out[a.id] = unfolded{a, upTo}
		return nil
	})
}

// loadFrames takes up the pieces that are in no block yet. What cannot be read
// stays where it is until its frame goes.
func (r *recorder) loadFrames(ctx context.Context, db *sql.DB, lanes map[int64]unfolded) error {
	return each(ctx, db, `SELECT id, data FROM frame ORDER BY id`, func(s scan) error {
		var id int64
		var data []byte
		if err := s(&id, &data); err != nil {
			return fmt.Errorf("read readings: %w", err)
		}
		pieces, err := trace.ParseFrame(data)
		if err != nil {
			r.unread++
		}
		for i, f := range pieces {
			number := id + int64(i)
			r.piece = max(r.piece, number)
			a, known := lanes[f.Channel]
			if !known || number <= a.upTo {
				continue
			}
			points, err := trace.Decode(f.Data)
			if err != nil {
				r.unread++
				continue
			}
			a.pieces = append(a.pieces, piece{
				lane: a.lane, number: number, stretch: f.Stretch, n: len(points), data: f.Data,
				first: points[0].At, last: points[len(points)-1].At,
			})
		}
		r.piece = max(r.piece, id)
		return nil
	})
}
