package ledger

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// Alert is something that somebody has to hear of by one outlet. The key is
// the same whenever the same alert is raised, and makes it one.
type Alert struct {
	Key      string
	Station  string
	Outlet   string
	Body     string
	Raised   time.Time
	Due      time.Time // when it is to be sent, or sent again
	Attempts int
	Error    string // of the last attempt
}

func (a *Alert) add(tx *sql.Tx, station int64) error {
	_, err := tx.Exec(`INSERT INTO alert (key, station, outlet, body, raised, due) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (key) DO NOTHING`,
		a.Key, station, a.Outlet, a.Body, a.Raised.UnixMilli(), a.Due.UnixMilli())
	return err
}

// Due returns up to limit alerts that are to be sent by now, the longest due
// first.
func (r *Reader) Due(ctx context.Context, now time.Time, limit int) (out []Alert, err error) {
	err = each(ctx, r.db, `SELECT key, station.name, outlet, body, raised, due, attempts, error
		FROM alert JOIN station ON station.id = station WHERE sent IS NULL AND gone IS NULL AND due <= ? ORDER BY due, alert.id LIMIT ?`,
		func(s scan) error {
			var a Alert
			var raised, due int64
			err := s(&a.Key, &a.Station, &a.Outlet, &a.Body, &raised, &due, &a.Attempts, &a.Error)
			a.Raised, a.Due = moment(raised), moment(due)
			out = append(out, a)
			return err
		}, now.UnixMilli(), limit)
	if err != nil {
		return nil, fmt.Errorf("read due alerts: %w", err)
	}
	return out, nil
}

// Sent notes that an alert was sent: call it after the sending, so that a
// crash between the two repeats an alert and loses none.
func (l *Ledger) Sent(ctx context.Context, key string, at time.Time) error {
	return l.note(ctx, `UPDATE alert SET sent = ?, attempts = attempts + 1, error = '' WHERE key = ?`, at.UnixMilli(), key)
}

// Failed notes that an alert could not be sent, and when it is to be tried
// again.
func (l *Ledger) Failed(ctx context.Context, key string, again time.Time, why string) error {
	return l.note(ctx, `UPDATE alert SET attempts = attempts + 1, due = ?, error = ? WHERE key = ?`, again.UnixMilli(), why, key)
}

// GiveUp notes that an alert will never be sent by its outlet.
func (l *Ledger) GiveUp(ctx context.Context, key string, at time.Time, why string) error {
	return l.note(ctx, `UPDATE alert SET attempts = attempts + 1, gone = ?, error = ? WHERE key = ?`, at.UnixMilli(), why, key)
}

func (l *Ledger) note(ctx context.Context, query string, args ...any) error {
	return l.submit(ctx, job{do: func(tx *sql.Tx) error {
		_, err := tx.Exec(query, args...)
		return err
	}})
}

// Entered lists the keys in the outbox that begin with some text, also of what
// was sent.
func (r *Reader) Entered(ctx context.Context, prefix string) (keys []string, err error) {
	err = each(ctx, r.db, `SELECT key FROM alert WHERE key >= ? AND key < ?`, func(s scan) error {
		var key string
		err := s(&key)
		keys = append(keys, key)
		return err
	}, prefix, prefix+"\U0010FFFF")
	if err != nil {
		return nil, fmt.Errorf("read the outbox: %w", err)
	}
	return keys, nil
}

// Kept returns what was kept of a kind, by key.
func (r *Reader) Kept(ctx context.Context, kind string) (map[string]string, error) {
	out := map[string]string{}
	err := each(ctx, r.db, `SELECT key, data FROM kept WHERE kind = ?`, func(s scan) error {
		var key, data string
		err := s(&key, &data)
		out[key] = data
		return err
	}, kind)
	if err != nil {
		return nil, fmt.Errorf("read what is kept of %s: %w", kind, err)
	}
	return out, nil
}

// Keep keeps something small for an outlet, in the place of what it had under
// the same kind and key.
func (l *Ledger) Keep(ctx context.Context, kind, key, data string) error {
	return l.note(ctx, `INSERT INTO kept (kind, key, data) VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET data = excluded.data`, kind, key, data)
}

// Forget lets go of what was kept.
func (l *Ledger) Forget(ctx context.Context, kind, key string) error {
	return l.note(ctx, `DELETE FROM kept WHERE kind = ? AND key = ?`, kind, key)
}
