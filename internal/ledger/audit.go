package ledger

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"time"
)

// Deed is one line of the trail of what people did.
type Deed struct {
	Seq     int64 // grows with each
	At      time.Time
	Who     string // empty: at this computer, without a name
	From    string // network address
	Did     string
	On      string
	Outcome string // done, or why it was refused
}

// DeedQuery chooses deeds. Zero values choose all.
type DeedQuery struct {
	From, To time.Time
	Who      string
	Station  string // only those on this station or on its alerts
	Before   int64  // only those with a smaller Seq; 0: from the newest on
	Limit    int    // 0: 100
}

func (d Deed) sum() int64 {
	return sum(d.At.UnixMilli(), d.Who, d.From, d.Did, d.On, d.Outcome)
}

// Note adds deeds to the trail; they are never changed afterwards.
func (l *Ledger) Note(ctx context.Context, deeds ...Deed) error {
	return l.submit(ctx, job{do: func(tx *sql.Tx) error {
		for _, d := range deeds {
			if _, err := tx.Exec(`INSERT INTO audit (at, who, origin, did, object, outcome, sum) VALUES (?, ?, ?, ?, ?, ?, ?)`,
				d.At.UnixMilli(), d.Who, d.From, d.Did, d.On, d.Outcome, d.sum()); err != nil {
				return fmt.Errorf("note what was done: %w", err)
			}
		}
		return nil
	}})
}

// Deeds lists what people did, the newest first.
func (r *Reader) Deeds(ctx context.Context, q DeedQuery) (out []Deed, err error) {
	before, limit, from, to := q.Before, q.Limit, int64(math.MinInt64), int64(math.MaxInt64)
	if before <= 0 {
		before = math.MaxInt64
	}
	if limit <= 0 {
		limit = 100
	}
	if !q.From.IsZero() {
		from = q.From.UnixMilli()
	}
	if !q.To.IsZero() {
		to = q.To.UnixMilli()
	}
	err = each(ctx, r.db, `SELECT seq, at, who, origin, did, object, outcome, sum FROM audit
		WHERE seq < ? AND at >= ? AND at <= ? AND (? = '' OR who = ?)
		AND (? = '' OR object = ? OR substr(object, 1, length(?) + 1) = ? || '.' OR instr(object, '/stations/' || ? || '/') > 0) ORDER BY seq DESC LIMIT ?`, func(s scan) error {
		var d Deed
		var at, wrote int64
		if err := s(&d.Seq, &at, &d.Who, &d.From, &d.Did, &d.On, &d.Outcome, &wrote); err != nil {
			return err
		}
		d.At = time.UnixMilli(at)
		if d.sum() != wrote {
			return fmt.Errorf("line %d of the trail of acts: %w", d.Seq, ErrDamaged)
		}
		out = append(out, d)
		return nil
	}, before, from, to, q.Who, q.Who, q.Station, q.Station, q.Station, q.Station, q.Station, limit)
	if err != nil {
		return nil, fmt.Errorf("read the trail of acts: %w", err)
	}
	return out, nil
}
