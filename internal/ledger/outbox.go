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
	ID       int64 // of the store; 0 for a new one
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
	err = each(ctx, r.db, `SELECT alert.id, key, station.name, outlet, body, raised, due, attempts, error
		FROM alert JOIN station ON station.id = station WHERE sent IS NULL AND due <= ? ORDER BY due, alert.id LIMIT ?`,
		func(s scan) error {
			var a Alert
			var raised, due int64
			err := s(&a.ID, &a.Key, &a.Station, &a.Outlet, &a.Body, &raised, &due, &a.Attempts, &a.Error)
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
func (l *Ledger) Sent(ctx context.Context, id int64, at time.Time) error {
	return l.submit(ctx, job{do: func(tx *sql.Tx) error {
		_, err := tx.Exec(`UPDATE alert SET sent = ?, attempts = attempts + 1, error = '' WHERE id = ?`, at.UnixMilli(), id)
		return err
	}})
}

// Failed notes that an alert could not be sent, and when it is to be tried
// again.
func (l *Ledger) Failed(ctx context.Context, id int64, again time.Time, why string) error {
	return l.submit(ctx, job{do: func(tx *sql.Tx) error {
		_, err := tx.Exec(`UPDATE alert SET attempts = attempts + 1, due = ?, error = ? WHERE id = ?`, again.UnixMilli(), why, id)
		return err
	}})
}
