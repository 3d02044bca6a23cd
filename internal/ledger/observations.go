package ledger

import (
	"context"
	"database/sql"
	"fmt"
	"iter"
	"slices"

	"benchvigil/internal/bench"
	"benchvigil/internal/trace"
)

// Observations gives back what was recorded in the interval, each station's in
// the order in which it was observed, the stations merged by time; so it replays
// to the same events. (What was observed at one moment may come in another
// order, which makes no difference to infer.) What cannot be read is an error
// that names it; the rest follows.
func (r *Reader) Observations(ctx context.Context, q Query) iter.Seq2[bench.Observation, error] {
	return plain(r.Recorded(ctx, q))
}

// Recorded is an observation with the stretch that it belongs to.
type Recorded struct {
	bench.Observation
	Stretch int64 // ID of a Stretch
}

// Recorded is like Observations, and tells where stretches begin.
func (r *Reader) Recorded(ctx context.Context, q Query) iter.Seq2[Recorded, error] {
	from, to := q.span()
	return r.observations(ctx, q.Station, cut{from: from, to: to})
}

func plain(seq iter.Seq2[Recorded, error]) iter.Seq2[bench.Observation, error] {
	return func(yield func(bench.Observation, error) bool) {
		for o, err := range seq {
			if !yield(o.Observation, err) {
				return
			}
		}
	}
}

// Since gives back what was recorded of a station after its state was saved.
func (r *Reader) Since(ctx context.Context, s *Saved) iter.Seq2[bench.Observation, error] {
	return func(yield func(bench.Observation, error) bool) {
		c := cut{to: lastMoment, stretch: s.stretch, after: s.At.UnixMilli()}
		var err error
		if c.from, err = r.earliest(ctx, s); err != nil {
			yield(bench.Observation{}, err)
			return
		}
		plain(r.observations(ctx, s.Station, c))(yield)
	}
}

// beforeStretch is how long before a stretch began, in ms, something of it may
// have been stamped.
const beforeStretch = 60_000

// earliest is a moment before all that was recorded after a state: the clock may
// have been stepped back since. It spares looking through what is older.
func (r *Reader) earliest(ctx context.Context, s *Saved) (int64, error) {
	var began sql.NullInt64
	err := r.db.QueryRowContext(ctx, `SELECT min(began) FROM stretch WHERE id > ? AND station = (SELECT id FROM station WHERE name = ?)`,
		s.stretch, s.Station).Scan(&began)
	if err != nil {
		return 0, fmt.Errorf("read stretches of station %q: %w", s.Station, err)
	}
	at := max(s.At.UnixMilli(), s.Began.UnixMilli()-beforeStretch)
	if began.Valid {
		at = min(at, began.Int64-beforeStretch)
	}
	return at, nil
}

// cut is what is wanted of the observations: an interval, and of stretches up
// to one only what comes after a moment of it.
type cut struct {
	from, to       int64
	stretch, after int64
}

func (c *cut) holds(stretch, at int64) bool {
	return at >= c.from && at <= c.to && (stretch > c.stretch || stretch == c.stretch && at > c.after)
}

func (r *Reader) observations(ctx context.Context, station string, c cut) iter.Seq2[Recorded, error] {
	return func(yield func(Recorded, error) bool) {
		tx, err := r.db.BeginTx(ctx, nil)
		if err != nil {
			yield(Recorded{}, err)
			return
		}
		defer tx.Rollback() //nolint:errcheck // nothing was written
		m := &merge{ctx: ctx, tx: tx, cut: c}
		if err := m.load(station); err != nil {
			yield(Recorded{}, err)
			return
		}
		for m.step(yield) {
		}
	}
}

// merge gives observations in order.
type merge struct {
	ctx     context.Context
	tx      *sql.Tx
	cut     cut
	streams []*stream
	bad     []error // not told yet
}

// stream is one station: its stretches one after the other.
type stream struct {
	id    int64
	name  string
	parts []*part
}

// part is what one stretch holds.
type part struct {
	stretch int64
	cursors []*cursor
}

// cursor stands in one channel, or among the facts, of a part.
type cursor struct {
	part    *part
	channel trace.Channel
	chunks  []chunk
	points  []trace.Point
	facts   []factAt
}

// chunk is a block, or a piece that is in none.
type chunk struct {
	block int64  // 0: a piece
	name  string // for errors
	data  []byte // of a piece
}

type factAt struct {
	at   int64
	fact bench.Fact
}

// step gives the next observation. It reports that there may be more.
func (m *merge) step(yield func(Recorded, error) bool) bool {
	var first *cursor
	var of *stream
	var at int64
	for _, s := range m.streams {
		if c, t := s.head(m); c != nil && (first == nil || t < at) {
			first, of, at = c, s, t
		}
	}
	for len(m.bad) > 0 {
		err := m.bad[0]
		m.bad = m.bad[1:]
		if !yield(Recorded{}, err) {
			return false
		}
	}
	if first == nil {
		return false
	}
	o := bench.Observation{At: moment(at), Station: of.name, Fact: first.pop()}
	return yield(Recorded{o, first.part.stretch}, nil)
}

// head is the cursor that is first, and when; nil at the end.
func (s *stream) head(m *merge) (first *cursor, at int64) {
	for len(s.parts) > 0 {
		for _, c := range s.parts[0].cursors {
			if t, ok := c.head(m); ok && (first == nil || t < at) {
				first, at = c, t
			}
		}
		if first != nil {
			return first, at
		}
		s.parts = s.parts[1:]
	}
	return nil, 0
}

func (c *cursor) head(m *merge) (at int64, ok bool) {
	if len(c.facts) > 0 {
		return c.facts[0].at, true
	}
	for len(c.points) == 0 && len(c.chunks) > 0 {
		c.points = m.points(c.chunks[0], c.part.stretch)
		c.chunks = c.chunks[1:]
	}
	if len(c.points) == 0 {
		return 0, false
	}
	return c.points[0].At, true
}

func (c *cursor) pop() (f bench.Fact) {
	if len(c.facts) > 0 {
		f, c.facts = c.facts[0].fact, c.facts[1:]
		return f
	}
	f, c.points = c.points[0].Fact(c.channel), c.points[1:]
	return f
}

// points reads a chunk, and leaves out what is not wanted.
func (m *merge) points(k chunk, stretch int64) []trace.Point {
	if k.block != 0 {
		if err := m.tx.QueryRowContext(m.ctx, `SELECT data FROM block WHERE id = ?`, k.block).Scan(&k.data); err != nil {
			m.bad = append(m.bad, fmt.Errorf("%s: %w", k.name, err))
			return nil
		}
	}
	points, err := trace.Decode(k.data)
	if err != nil {
		m.bad = append(m.bad, fmt.Errorf("%s: %w: %w", k.name, ErrDamaged, err))
		return nil
	}
	return slices.DeleteFunc(points, func(p trace.Point) bool { return !m.cut.holds(stretch, p.At) })
}

// load finds what there is, without the blocks themselves.
func (m *merge) load(station string) error {
	if err := each(m.ctx, m.tx, `SELECT id, name FROM station WHERE ?1 = '' OR name = ?1 ORDER BY id`, func(s scan) error {
		st := &stream{}
		m.streams = append(m.streams, st)
		return s(&st.id, &st.name)
	}, station); err != nil {
		return fmt.Errorf("read stations: %w", err)
	}
	frames, err := m.pieces()
	if err != nil {
		return fmt.Errorf("read readings: %w", err)
	}
	for _, s := range m.streams {
		if err := m.loadStream(s, frames); err != nil {
			return fmt.Errorf("read station %q: %w", s.name, err)
		}
	}
	return nil
}

// found is what was found of one channel in one stretch.
type found struct {
	stretch int64
	chunk   chunk
}

// pieces are those that are in no block, by channel.
func (m *merge) pieces() (map[int64][]found, error) {
	folded := map[int64]int64{}
	if err := each(m.ctx, m.tx, `SELECT id, folded FROM channel`, func(s scan) error {
		var id, upTo int64
		err := s(&id, &upTo)
		folded[id] = upTo
		return err
	}); err != nil {
		return nil, err
	}
	out := map[int64][]found{}
	return out, each(m.ctx, m.tx, `SELECT id, data FROM frame ORDER BY id`, func(s scan) error {
		var id int64
		var data []byte
		if err := s(&id, &data); err != nil {
			return err
		}
		ps, err := trace.ParseFrame(data)
		if err != nil {
			m.bad = append(m.bad, fmt.Errorf("frame %d: %w: %w", id, ErrDamaged, err))
		}
		for i, p := range ps {
			if number := id + int64(i); number > folded[p.Channel] {
				name := fmt.Sprintf("piece %d of channel %d", number, p.Channel)
				out[p.Channel] = append(out[p.Channel], found{p.Stretch, chunk{name: name, data: p.Data}})
			}
		}
		return nil
	})
}

func (m *merge) loadStream(s *stream, frames map[int64][]found) error {
	parts := map[int64]*part{}
	of := func(stretch int64) *part {
		p := parts[stretch]
		if p == nil {
			p = &part{stretch: stretch}
			parts[stretch] = p
			s.parts = append(s.parts, p)
		}
		return p
	}
	for _, table := range []string{"mark", "fact"} {
		if err := m.loadFacts(s, table, of); err != nil {
			return err
		}
	}
	channels := map[int64]trace.Channel{}
	if err := each(m.ctx, m.tx, `SELECT id, kind, name FROM channel WHERE station = ? ORDER BY id`, func(s scan) error {
		var id int64
		var c trace.Channel
		err := s(&id, &c.Kind, &c.Name)
		channels[id] = c
		return err
	}, s.id); err != nil {
		return err
	}
	for id, c := range channels {
		blocks, err := m.blocks(s, id)
		if err != nil {
			return err
		}
		var last *cursor
		for _, f := range append(blocks, frames[id]...) {
			p := of(f.stretch)
			if last == nil || last.part != p {
				last = &cursor{part: p, channel: c}
				p.cursors = append(p.cursors, last)
			}
			last.chunks = append(last.chunks, f.chunk)
		}
	}
	slices.SortFunc(s.parts, func(a, b *part) int { return int(a.stretch - b.stretch) })
	return nil
}

func (m *merge) blocks(st *stream, channel int64) (out []found, err error) {
	err = each(m.ctx, m.tx, `SELECT id, start, stretch FROM block WHERE channel = ? AND end >= ? AND start <= ? AND stretch >= ? ORDER BY id`,
		func(s scan) error {
			var f found
			var start int64
			err := s(&f.chunk.block, &start, &f.stretch)
			f.chunk.name = fmt.Sprintf("block %d of station %q from %s", f.chunk.block, st.name, moment(start).Format(bench.TimeFormat))
			out = append(out, f)
			return err
		}, channel, m.cut.from, m.cut.to, m.cut.stretch)
	return out, err
}

func (m *merge) loadFacts(st *stream, table string, of func(int64) *part) error {
	cursors := map[int64]*cursor{}
	return each(m.ctx, m.tx, `SELECT seq, stretch, at, kind, data, sum FROM `+table+` WHERE station = ? AND at BETWEEN ? AND ? ORDER BY seq`,
		func(s scan) error {
			var seq, stretch, at, wrote int64
			var kind string
			var data []byte
			if err := s(&seq, &stretch, &at, &kind, &data, &wrote); err != nil {
				return err
			}
			f, err := readFact(table, kind, data)
			if err == nil && sum(st.id, stretch, at, kind, data) != wrote {
				err = ErrDamaged
			}
			if err != nil {
				m.bad = append(m.bad, fmt.Errorf("%s %d of station %q: %w", table, seq, st.name, err))
				return nil
			}
			if !m.cut.holds(stretch, at) {
				return nil
			}
			c := cursors[stretch]
			if c == nil {
				c = &cursor{part: of(stretch)}
				cursors[stretch] = c
				c.part.cursors = append(c.part.cursors, c)
			}
			c.facts = append(c.facts, factAt{at, f})
			return nil
		}, st.id, m.cut.from, m.cut.to)
}

// readFact reads a row of the table of marks or of the other facts.
func readFact(table, kind string, data []byte) (bench.Fact, error) {
	if table == kindMark {
		kind = kindMark
	}
	return decodeFact(kind, data)
}
