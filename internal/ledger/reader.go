package ledger

import (
	"context"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Reader reads a ledger, also while another process writes it. Each query sees
// one moment of the store.
type Reader struct {
	db   *sql.DB
	path string
}

// OpenReader opens the ledger in a folder for reading.
func OpenReader(ctx context.Context, dir string) (*Reader, error) {
	path := filepath.Join(dir, fileName)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("open ledger %s: %w", dir, ErrMissing)
	}
	db, err := openReaders(path)
	if err != nil {
		return nil, fmt.Errorf("open ledger %s: %w", dir, err)
	}
	var tables int
	if err := db.QueryRowContext(ctx, `SELECT count(*) FROM event WHERE seq = 0`).Scan(&tables); err != nil {
		return nil, errors.Join(fmt.Errorf("open ledger %s: %w", dir, err), db.Close())
	}
	return &Reader{db: db, path: path}, nil
}

// Close frees the connections.
func (r *Reader) Close() error { return r.db.Close() }

// Used is how large the store is in bytes, free pages not counted.
func (r *Reader) Used(ctx context.Context) (int64, error) {
	var used int64
	err := r.db.QueryRowContext(ctx, `SELECT (page_count - freelist_count) * page_size
		FROM pragma_page_count, pragma_freelist_count, pragma_page_size`).Scan(&used)
	return used, err
}

// Query picks what is asked for. Zero values pick all.
type Query struct {
	Station  string
	From, To time.Time // both inclusive, to the millisecond
	Outcome  string    // of runs and watches
	Newest   int       // of runs and watches: so many, the newest first; 0: all, the oldest first
	Before   int64     // with Newest: only those that came before this one, by its Seq; 0: all
}

// order is the end of a query of runs or watches.
func (q *Query) order(table, began string) string {
	if q.Newest == 0 {
		return " ORDER BY " + began + ", " + table + ".id"
	}
	before := q.Before
	if before == 0 {
		before = lastMoment
	}
	return fmt.Sprintf(" AND %[1]s.id < %d ORDER BY %[1]s.id DESC LIMIT %d", table, before, q.Newest)
}

// ofStation is the condition that rows of a table belong to a station, ?1.
func (q *Query) ofStation(table string) string {
	if q.Station == "" {
		return "?1 = ''"
	}
	return table + ".station = (SELECT id FROM station WHERE name = ?1)"
}

const (
	firstMoment = -1 << 62
	lastMoment  = 1 << 62
)

func (q *Query) span() (from, to int64) {
	from, to = firstMoment, lastMoment
	if !q.From.IsZero() {
		from = q.From.UnixMilli()
	}
	if !q.To.IsZero() {
		to = q.To.UnixMilli()
	}
	return from, to
}

// Run is one run as the events tell it.
type Run struct {
	Seq      int64  // numbers runs in the order in which they were told
	ID       string // of the event that began it
	Station  string
	Hookup   int // how many hook-up marks the station had before
	Profile  string
	Started  time.Time
	Assumed  bool
	Outcome  string        // running, dropped, stopped; unseen: nobody saw its end
	Kind     string        // of the drop or stop
	Ended    time.Time     // zero while it runs, and where it is unseen
	Lasted   time.Duration // not the time from Started to Ended, if the clock was stepped in between
	Window   time.Duration
	Met      time.Time // zero: not met
	Missed   time.Time
	Restarts int
	Stalls   int
}

// Runs lists the runs that touch the interval, by their start. One whose end
// nobody saw went on until the next one of its station at most.
func (r *Reader) Runs(ctx context.Context, q Query) iter.Seq2[Run, error] {
	from, to := q.span()
	return rows(ctx, r.db, runColumns+`WHERE `+q.ofStation("run")+` AND (?2 = '' OR outcome = ?2) AND started <= ?4
		AND coalesce(ended, CASE outcome WHEN 'unseen' THEN (SELECT min(started) FROM run later
			WHERE later.station = run.station AND later.id > run.id) END, ?4) >= ?3`+q.order("run", "started"),
		scanRun, q.Station, q.Outcome, from, to)
}

const runColumns = `SELECT run.id, event.id, station.name, hookup, profile, started, assumed, outcome, kind, ended, uptime, window, met, missed, restarts, stalls
	FROM run JOIN station ON station.id = run.station JOIN event ON event.seq = run.id `

func scanRun(s scan) (v Run, err error) {
	var id []byte
	var started int64
	var ended, lasted, window, met, missed sql.NullInt64
	err = s(&v.Seq, &id, &v.Station, &v.Hookup, &v.Profile, &started, &v.Assumed, &v.Outcome, &v.Kind, &ended, &lasted, &window, &met, &missed, &v.Restarts, &v.Stalls)
	v.ID, v.Started, v.Ended, v.Met, v.Missed = hex.EncodeToString(id), moment(started), maybe(ended), maybe(met), maybe(missed)
	v.Lasted, v.Window = time.Duration(lasted.Int64)*time.Millisecond, time.Duration(window.Int64)*time.Millisecond
	return v, err
}

// Uptime is how long the run lasted; unknown while it runs, and where nobody
// saw its end.
func (r *Run) Uptime() (d unit.Maybe[time.Duration]) {
	if !r.Ended.IsZero() {
		d = unit.Some(r.Lasted)
	}
	return d
}

func maybe(ms sql.NullInt64) time.Time {
	if !ms.Valid {
		return time.Time{}
	}
	return moment(ms.Int64)
}

// Watch is one watch as the events tell it.
type Watch struct {
	Seq     int64  // numbers watches in the order in which they were told
	ID      string // of the event that armed it
	Station string
	Goal    string // in its text form
	By      string
	Armed   time.Time
	Outcome string // armed, done, failed
	Kind    string
	Ended   time.Time // zero while it is armed
}

// Watches lists the watches that touch the interval, by when they were armed.
func (r *Reader) Watches(ctx context.Context, q Query) iter.Seq2[Watch, error] {
	from, to := q.span()
	return rows(ctx, r.db, `SELECT watch.id, event.id, station.name, goal, by, armed, outcome, kind, ended
		FROM watch JOIN station ON station.id = watch.station JOIN event ON event.seq = watch.id
		WHERE `+q.ofStation("watch")+` AND (?2 = '' OR outcome = ?2) AND armed <= ?4 AND coalesce(ended, ?4) >= ?3`+q.order("watch", "armed"),
		func(s scan) (v Watch, err error) {
			var id []byte
			var armed int64
			var ended sql.NullInt64
			err = s(&v.Seq, &id, &v.Station, &v.Goal, &v.By, &armed, &v.Outcome, &v.Kind, &ended)
			v.ID, v.Armed, v.Ended = hex.EncodeToString(id), moment(armed), maybe(ended)
			return v, err
		}, q.Station, q.Outcome, from, to)
}

// Events lists the events that happened in the interval, in the order in which
// they were told. One that is damaged is an error that names it; the others
// follow.
func (r *Reader) Events(ctx context.Context, q Query) iter.Seq2[bench.Event, error] {
	from, to := q.span()
	return r.events(ctx, `WHERE (?1 = '' OR station.name = ?1) AND time BETWEEN ?2 AND ?3 ORDER BY event.seq`, q.Station, from, to)
}

// Latest lists the events that were told last, of all stations, the newest
// first and up to most of them.
func (r *Reader) Latest(ctx context.Context, most int) iter.Seq2[bench.Event, error] {
	return r.events(ctx, `ORDER BY event.seq DESC LIMIT ?`, most)
}

// AlertEvents is like Events, with nothing but the lives of alerts.
func (r *Reader) AlertEvents(ctx context.Context, q Query) iter.Seq2[bench.Event, error] {
	from, to := q.span()
	return r.events(ctx, `WHERE substr(type, 1, 17) = 'benchvigil.alert.' AND (?1 = '' OR station.name = ?1) AND time BETWEEN ?2 AND ?3
		ORDER BY event.seq`, q.Station, from, to)
}

// Standing gives the last event of each point where an alert stands, in the
// order in which they were told. It says all of the alert.
func (r *Reader) Standing(ctx context.Context) iter.Seq2[bench.Event, error] {
	return r.events(ctx, `JOIN point USING (seq) WHERE NOT normal ORDER BY event.seq`)
}

// Began is when the ledger began to be kept; zero where nothing is in it.
func (r *Reader) Began(ctx context.Context) (time.Time, error) {
	var at sql.NullInt64
	err := r.db.QueryRowContext(ctx, `SELECT min(at) FROM
		(SELECT min(began) AS at FROM stretch UNION ALL SELECT min(time) FROM event)`).Scan(&at)
	return maybe(at), err
}

// Stays gives the newest work that ended, up to most, the oldest of it first. What is
// damaged is left out: the limits it taught are only a little less sure.
func (r *Reader) Stays(ctx context.Context, most int) (out []bench.Stay, err error) {
	err = each(ctx, r.db, `SELECT data FROM event WHERE instr(data, '"ended":') > 0 ORDER BY seq DESC LIMIT ?`, func(s scan) error {
		var data []byte
		if err := s(&data); err != nil {
			return err
		}
		var d eventData
		if err := json.Unmarshal(data, &d); err == nil && d.Ended != nil {
			out = append(out, *d.Ended)
		}
		return nil
	}, most)
	slices.Reverse(out)
	if err != nil {
		return out, fmt.Errorf("read finished work: %w", err)
	}
	return out, nil
}

// Stretch says how a station was wired from a moment on.
type Stretch struct {
	ID      int64
	Station string
	Began   time.Time
	Anew    bool // it began to be followed; else the clock was stepped, or a watch was taken up again
	Wiring  Wiring
}

// Stretches lists the stretches of time, in order.
func (r *Reader) Stretches(ctx context.Context, station string) iter.Seq2[Stretch, error] {
	return rows(ctx, r.db, `SELECT stretch.id, station.name, began, anew, bench, power, vbus, usb, profile, window
		FROM stretch JOIN station ON station.id = station WHERE ?1 = '' OR station.name = ?1 ORDER BY stretch.id`, func(s scan) (v Stretch, err error) {
		var began, window int64
		w := &v.Wiring
		err = s(&v.ID, &v.Station, &began, &v.Anew, &w.Bench, &w.Hookup.Path, &w.Hookup.VBUS, &w.Hookup.USB, &w.Profile, &window)
		v.Began, w.Window = moment(began), time.Duration(window)*time.Millisecond
		return v, err
	}, station)
}

// Saved is what was saved of a station last.
type Saved struct {
	Station string
	Data    []byte
	At      time.Time // all observations up to then are in it; long ago where none is
	Began   time.Time // the stretch in which it was saved
	Wiring  Wiring

	stretch int64
}

// State returns what was saved of a station last, nil where nothing was.
func (r *Reader) State(ctx context.Context, station string) (*Saved, error) {
	v := Saved{Station: station}
	var at, began, window int64
	w := &v.Wiring
	err := r.db.QueryRowContext(ctx, `SELECT state.data, state.at, state.stretch, began, bench, power, vbus, usb, profile, window
		FROM state JOIN station ON station.id = state.station JOIN stretch ON stretch.id = state.stretch WHERE station.name = ?`, station).
		Scan(&v.Data, &at, &v.stretch, &began, &w.Bench, &w.Hookup.Path, &w.Hookup.VBUS, &w.Hookup.USB, &w.Profile, &window)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read state of station %q: %w", station, err)
	}
	v.At, v.Began, w.Window = moment(at), moment(began), time.Duration(window)*time.Millisecond
	return &v, nil
}

// rows turns a query into a sequence. A row that cannot be made sense of is an
// error, after which the others follow; so is, at the end, what ended the query early.
func rows[T any](ctx context.Context, q querier, query string, read func(scan) (T, error), args ...any) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		err := each(ctx, q, query, func(s scan) error {
			if !yield(read(s)) {
				return errEnough
			}
			return nil
		}, args...)
		if err = ended(err); err != nil {
			var none T
			yield(none, err)
		}
	}
}

// ended takes the end of a look through rows for no error.
func ended(err error) error {
	if errors.Is(err, errEnough) {
		return nil
	}
	return err
}

// noRows says in words that something was never recorded.
func noRows(err error) error {
	if errors.Is(err, sql.ErrNoRows) {
		return errors.New("none were recorded")
	}
	return err
}
