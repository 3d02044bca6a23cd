package ledger

import (
	"context"
	"encoding/hex"
	"fmt"
	"iter"
	"slices"

	"benchvigil/internal/bench"
	"benchvigil/internal/trace"
)

// Channels lists where the readings of a station come from.
func (r *Reader) Channels(ctx context.Context, station string) (out []trace.Channel, err error) {
	err = each(ctx, r.db, `SELECT kind, channel.name FROM channel JOIN station ON station.id = station WHERE station.name = ? ORDER BY channel.id`,
		func(s scan) error {
			var c trace.Channel
			err := s(&c.Kind, &c.Name)
			out = append(out, c)
			return err
		}, station)
	return out, err
}

// Points gives what was read of one channel in the interval, exactly, in the
// order in which it was recorded. What cannot be read is an error that names it;
// the rest follows.
func (r *Reader) Points(ctx context.Context, q Query, c trace.Channel) iter.Seq2[trace.Point, error] {
	return func(yield func(trace.Point, error) bool) {
		if err := r.points(ctx, q, c, yield); ended(err) != nil {
			yield(trace.Point{}, err)
		}
	}
}

func (r *Reader) points(ctx context.Context, q Query, c trace.Channel, yield func(trace.Point, error) bool) error {
	tx, err := r.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() //nolint:errcheck // nothing was written
	from, to := q.span()
	m := &merge{ctx: ctx, tx: tx, cut: cut{from: from, to: to}}
	st := &stream{name: q.Station}
	var id int64
	if err := tx.QueryRowContext(ctx, `SELECT channel.id FROM channel JOIN station ON station.id = station
		WHERE station.name = ? AND kind = ? AND channel.name = ?`, q.Station, c.Kind, c.Name).Scan(&id); err != nil {
		return fmt.Errorf("readings of station %q: %w", q.Station, noRows(err))
	}
	frames, err := m.pieces()
	if err != nil {
		return err
	}
	blocks, err := m.blocks(st, id)
	if err != nil {
		return err
	}
	for _, f := range append(blocks, frames[id]...) {
		if err := m.give(f, yield); err != nil {
			return err
		}
	}
	return nil
}

// give yields the points of a chunk, and what cannot be read before them.
func (m *merge) give(f found, yield func(trace.Point, error) bool) error {
	points := m.points(f.chunk, f.stretch)
	for _, bad := range m.bad {
		if !yield(trace.Point{}, bad) {
			return errEnough
		}
	}
	m.bad = nil
	for _, p := range points {
		if !yield(p, nil) {
			return errEnough
		}
	}
	return m.ctx.Err()
}

// Oldest is the moment of the oldest readings of a station that are kept; false
// where none are in a block.
func (r *Reader) Oldest(ctx context.Context, station string) (at int64, ok bool, err error) {
	err = each(ctx, r.db, `SELECT (SELECT start FROM block WHERE block.channel = channel.id ORDER BY end LIMIT 1)
		FROM channel JOIN station ON station.id = station WHERE station.name = ? AND kind = ?`, func(s scan) error {
		var start *int64
		if err := s(&start); err != nil || start == nil {
			return err
		}
		if !ok || *start < at {
			at, ok = *start, true
		}
		return nil
	}, station, trace.Readings)
	return at, ok, err
}

// Fact is a fact that is no reading, with its number among its kind.
type Fact struct {
	Seq int64
	bench.Observation
}

// Facts lists what changed on USB, and the news of sources and clocks, of one
// station in the interval. They are kept as long as the readings of their time.
func (r *Reader) Facts(ctx context.Context, q Query) iter.Seq2[Fact, error] {
	return r.facts(ctx, "fact", q)
}

// Marks lists what people said of one station in the interval.
func (r *Reader) Marks(ctx context.Context, q Query) iter.Seq2[Fact, error] {
	return r.facts(ctx, kindMark, q)
}

func (r *Reader) facts(ctx context.Context, table string, q Query) iter.Seq2[Fact, error] {
	from, to := q.span()
	return rows(ctx, r.db, `SELECT seq, station, stretch, at, kind, data, sum FROM `+table+`
		WHERE station = (SELECT id FROM station WHERE name = ?) AND at BETWEEN ? AND ? ORDER BY at, seq`, func(s scan) (v Fact, err error) {
		var station, stretch, at, wrote int64
		var kind string
		var data []byte
		if err := s(&v.Seq, &station, &stretch, &at, &kind, &data, &wrote); err != nil {
			return v, err
		}
		if sum(station, stretch, at, kind, data) != wrote {
			return v, fmt.Errorf("%s %d of station %q: %w", table, v.Seq, q.Station, ErrDamaged)
		}
		v.At, v.Station = moment(at), q.Station
		v.Fact, err = readFact(table, kind, data)
		return v, err
	}, q.Station, from, to)
}

// Case is a mark that says to which case a station belongs from then on.
type Case struct {
	Station string
	At      int64  // Unix ms
	Number  string // empty: to none
}

// Cases lists the marks of cases, of all stations, by time.
func (r *Reader) Cases(ctx context.Context) iter.Seq2[Case, error] {
	return rows(ctx, r.db, `SELECT station.name, at, data FROM mark JOIN station ON station.id = station
		WHERE kind = '`+bench.MarkCase+`' ORDER BY at, seq`, func(s scan) (v Case, err error) {
		var data []byte
		if err := s(&v.Station, &v.At, &data); err != nil {
			return v, err
		}
		f, err := decodeFact(kindMark, data)
		if m, is := f.(bench.Mark); is {
			v.Number = m.Text
		}
		return v, err
	})
}

// StationEvents lists what happened to one station in the interval, by time,
// without the lives of alerts.
func (r *Reader) StationEvents(ctx context.Context, q Query) iter.Seq2[bench.Event, error] {
	from, to := q.span()
	return r.events(ctx, `WHERE event.station = (SELECT id FROM station WHERE name = ?) AND time BETWEEN ? AND ?
		AND substr(type, 1, 17) <> 'benchvigil.alert.' ORDER BY time, event.seq`, q.Station, from, to)
}

// ModeChanges lists the changes of mode of one station in the interval, after
// the last one before it.
func (r *Reader) ModeChanges(ctx context.Context, q Query) (out []bench.Event, err error) {
	from, to := q.span()
	of := `WHERE event.station = (SELECT id FROM station WHERE name = ?) AND type = '` + string(bench.ModeChanged) + `' AND `
	for _, part := range []iter.Seq2[bench.Event, error]{
		r.events(ctx, of+`time < ? ORDER BY time DESC, event.seq DESC LIMIT 1`, q.Station, from),
		r.events(ctx, of+`time BETWEEN ? AND ? ORDER BY time, event.seq`, q.Station, from, to),
	} {
		for e, err := range part {
			if err != nil {
				return out, err
			}
			out = append(out, e)
		}
	}
	return out, nil
}

// RunByID finds a run by the ID of the event that began it; nil where there is
// none.
func (r *Reader) RunByID(ctx context.Context, id string) (*Run, error) {
	raw, err := hex.DecodeString(id)
	if err != nil {
		return nil, nil // no event has such an ID
	}
	for run, err := range rows(ctx, r.db, runColumns+`WHERE event.id = ?`, scanRun, raw) {
		return &run, err
	}
	return nil, nil
}

// LastRun is the last run of a station that was seen to begin; nil where there
// is none.
func (r *Reader) LastRun(ctx context.Context, station string) (*Run, error) {
	for run, err := range rows(ctx, r.db, runColumns+`WHERE run.station = (SELECT id FROM station WHERE name = ?) AND NOT assumed
		ORDER BY started DESC, run.id DESC LIMIT 1`, scanRun, station) {
		return &run, err
	}
	return nil, nil
}

// HookupRuns lists the runs of the hook-up that is on a station, the oldest
// first, and says which it is.
func (r *Reader) HookupRuns(ctx context.Context, station string) (number int, out []Run, err error) {
	err = r.db.QueryRowContext(ctx, `SELECT count(*) FROM mark WHERE station = (SELECT id FROM station WHERE name = ?) AND kind = '`+bench.MarkHookup+`'`,
		station).Scan(&number)
	if err != nil {
		return 0, nil, err
	}
	for run, err := range rows(ctx, r.db, runColumns+`WHERE run.station = (SELECT id FROM station WHERE name = ?) AND hookup = ?
		ORDER BY started DESC, run.id DESC LIMIT ?`, scanRun, station, number, mostHookupRuns) {
		if err != nil {
			return number, nil, err
		}
		out = append(out, run)
	}
	slices.Reverse(out)
	return number, out, nil
}

// mostHookupRuns bounds the runs of a hook-up that are looked at.
const mostHookupRuns = 500
