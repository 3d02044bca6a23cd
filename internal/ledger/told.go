package ledger

import (
	"context"
	"iter"

	"benchvigil/internal/bench"
)

// Told is an event with its number: events are numbered in the order in which
// they were told, and none comes between two later.
type Told struct {
	Seq int64
	bench.Event
}

// ToldQuery picks events. Zero values pick all.
type ToldQuery struct {
	Query         // Station, From, To and Before
	Type   string // this one, and all below it: benchvigil.run is all of runs
	Newest int    // so many at most
}

const toldCondition = `(?1 = '' OR station.name = ?1) AND time BETWEEN ?2 AND ?3
	AND (?4 = '' OR type = ?4 OR substr(type, 1, length(?4) + 1) = ?4 || '.')`

// Told lists events, the one that was told last first. One that is damaged is an
// error that names it; the others follow.
func (r *Reader) Told(ctx context.Context, q ToldQuery) iter.Seq2[Told, error] {
	from, to := q.span()
	before := q.Before
	if before == 0 {
		before = lastMoment
	}
	return r.told(ctx, `WHERE `+toldCondition+` AND event.seq < ?5 ORDER BY event.seq DESC LIMIT ?6`, q.Station, from, to, q.Type, before, q.Newest)
}

// ToldSince lists the events that were told after one, in that order, up to most.
func (r *Reader) ToldSince(ctx context.Context, seq int64, most int) iter.Seq2[Told, error] {
	return r.told(ctx, `WHERE event.seq > ? ORDER BY event.seq LIMIT ?`, seq, most)
}

// LastTold is the number of the event that was told last; 0 where there is none.
func (r *Reader) LastTold(ctx context.Context) (seq int64, err error) {
	err = r.db.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) FROM event`).Scan(&seq)
	return seq, err
}

// events lists events without their numbers.
func (r *Reader) events(ctx context.Context, which string, args ...any) iter.Seq2[bench.Event, error] {
	return func(yield func(bench.Event, error) bool) {
		for t, err := range r.told(ctx, which, args...) {
			if !yield(t.Event, err) {
				return
			}
		}
	}
}

// told lists events; of a damaged one the number alone.
func (r *Reader) told(ctx context.Context, which string, args ...any) iter.Seq2[Told, error] {
	return rows(ctx, r.db, `SELECT event.seq, event.id, station, station.name, type, time, concluded, count, data, sum
		FROM event JOIN station ON station.id = station `+which, func(s scan) (Told, error) {
		var e eventRow
		var station string
		var wrote int64
		if err := s(&e.seq, &e.id, &e.station, &station, &e.kind, &e.time, &e.concluded, &e.count, &e.data, &wrote); err != nil {
			return Told{}, err
		}
		event, err := e.event(station, wrote)
		return Told{e.seq, event}, err
	}, args...)
}
