package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// The newest run or watch of a station in a state.
const (
	openRun   = `WHERE id = (SELECT max(id) FROM run WHERE station = ? AND outcome = 'running')`
	lastRun   = `WHERE id = (SELECT id FROM run WHERE +station = ? AND outcome <> 'running' ORDER BY id DESC LIMIT 1)` // no index: it is among the newest
	stopped   = `WHERE id = (SELECT max(id) FROM run WHERE station = ? AND started = ? AND outcome = 'stopped')`
	lastWatch = `WHERE id = (SELECT max(id) FROM watch WHERE station = ? AND armed = ? AND outcome = 'failed')`
	openWatch = `WHERE id = (SELECT max(id) FROM watch WHERE station = ? AND outcome = 'armed')`
)

// follow brings the views up to date with an event. It asks nothing but the
// facts up to it and the views, so that a rebuild gives the same.
func (e *eventRow) follow(tx *sql.Tx, d bench.EventData) error {
	do := func(query string, args ...any) error {
		_, err := tx.Exec(query, args...)
		return err
	}
	if e.kind.IsAlert() && d.Alert != nil {
		return do(`INSERT INTO point (name, seq, normal) VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET seq = excluded.seq, normal = excluded.normal`,
			d.Alert.Point().String(), e.seq, d.Alert.State == bench.AlertNormal)
	}
	switch e.kind {
	case bench.RunStarted:
		if d.Kind == bench.Resumed {
			return do(`UPDATE run SET outcome = 'running', kind = '', ended = NULL, uptime = NULL `+stopped, e.station, e.time)
		}
		return e.startRun(tx, d)
	case bench.RunRestarted:
		return do(`UPDATE run SET restarts = restarts + 1 `+openRun, e.station)
	case bench.RunUnwatched:
		return do(`UPDATE run SET assumed = max(assumed, ?) `+openRun, d.Assumed, e.station)
	case bench.RunDropped, bench.RunStopped:
		outcome := strings.TrimPrefix(string(e.kind), "benchvigil.run.")
		return do(`UPDATE run SET outcome = ?, kind = ?, ended = ?, uptime = coalesce(?, ? - started), assumed = max(assumed, ?) `+openRun,
			outcome, d.Kind, e.time, milliseconds(d.Uptime), e.time, d.Assumed, e.station)
	case bench.RunReclassified:
		return do(`UPDATE run SET outcome = 'stopped', kind = ? `+lastRun, d.Kind, e.station)
	case bench.WindowMet:
		return do(`UPDATE run SET met = ?, window = ? `+openRun, e.time, d.Window.Or(0).Milliseconds(), e.station)
	case bench.WindowMissed:
		return do(`UPDATE run SET missed = ?, window = ? `+lastRun, e.time, d.Window.Or(0).Milliseconds(), e.station)
	case bench.StallRaised:
		return do(`UPDATE run SET stalls = stalls + 1 `+openRun, e.station)
	case bench.WatchArmed:
		if d.Kind == bench.Resumed {
			return do(`UPDATE watch SET outcome = 'armed', kind = '', ended = NULL `+lastWatch, e.station, e.time)
		}
		return do(`INSERT INTO watch (id, station, goal, by, armed) VALUES (?, ?, ?, ?, ?)`, e.seq, e.station, d.Goal, d.By, e.time)
	case bench.WatchDone:
		return do(`UPDATE watch SET outcome = 'done', kind = ?, ended = ? `+openWatch, d.Kind, e.time, e.station)
	case bench.WatchFailed:
		return do(`UPDATE watch SET outcome = 'failed', kind = ?, ended = ? `+openWatch, d.Kind, e.time, e.station)
	}
	return nil
}

// milliseconds is a length as the store has it: the time between two moments is
// not it where the clock was stepped in between.
func milliseconds(d unit.Maybe[time.Duration]) sql.NullInt64 {
	return sql.NullInt64{Int64: d.Or(0).Milliseconds(), Valid: d.Known()}
}

// startRun begins a run; one whose end nobody saw is left behind as unseen.
func (e *eventRow) startRun(tx *sql.Tx, d bench.EventData) error {
	if _, err := tx.Exec(`UPDATE run SET outcome = 'unseen' WHERE station = ? AND outcome = 'running'`, e.station); err != nil {
		return err
	}
	_, err := tx.Exec(`INSERT INTO run (id, station, hookup, profile, started, assumed)
		VALUES (?, ?, (SELECT count(*) FROM mark WHERE station = ? AND kind = 'hook-up' AND at <= ?), ?, ?, ?)`,
		e.seq, e.station, e.station, e.time, e.profile, e.time, d.Assumed)
	return err
}

// Rebuild makes the views again from the events and marks. Events that cannot
// be read are passed over and returned.
func (l *Ledger) Rebuild(ctx context.Context) (damaged []error, err error) {
	err = l.submit(ctx, job{do: func(tx *sql.Tx) error {
		var err error
		damaged, err = rebuild(ctx, tx)
		return err
	}})
	return damaged, err
}

func rebuild(ctx context.Context, tx *sql.Tx) (bad []error, err error) {
	for _, table := range []string{"run", "watch", "point"} {
		if _, err := tx.ExecContext(ctx, `DELETE FROM `+table); err != nil {
			return nil, fmt.Errorf("empty %s: %w", table, err)
		}
	}
	for last := int64(0); ; {
		rows, err := someEvents(ctx, tx, last)
		if err != nil || len(rows) == 0 {
			return bad, err
		}
		for _, e := range rows {
			last = e.seq
			if e.sum() != e.wrote {
				bad = append(bad, fmt.Errorf("event %d: %w", e.seq, ErrDamaged))
				continue
			}
			var d eventData
			if err := json.Unmarshal(e.data, &d); err != nil {
				bad = append(bad, fmt.Errorf("event %d: %w: %w", e.seq, ErrDamaged, err))
				continue
			}
			if err := e.follow(tx, bench.EventData(d)); err != nil {
				return bad, fmt.Errorf("follow event %d: %w", e.seq, err)
			}
		}
	}
}

// wroteRow is an event with the checksum that stands beside it.
type wroteRow struct {
	eventRow
	wrote int64
}

// someEvents are the next thousand after one; those that views follow.
func someEvents(ctx context.Context, tx *sql.Tx, after int64) (out []wroteRow, err error) {
	err = each(ctx, tx, `SELECT e.seq, e.id, e.station, type, time, concluded, count, data, sum,
		coalesce((SELECT profile FROM stretch s WHERE s.station = e.station AND s.began <= e.concluded ORDER BY s.id DESC LIMIT 1), '')
		FROM event e WHERE e.seq > ? ORDER BY e.seq LIMIT 1000`, func(s scan) error {
		var e wroteRow
		err := s(&e.seq, &e.id, &e.station, &e.kind, &e.time, &e.concluded, &e.count, &e.data, &e.wrote, &e.profile)
		out = append(out, e)
		return err
	}, after)
	return out, err
}
