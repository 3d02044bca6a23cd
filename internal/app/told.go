package app

import (
	"context"
	"errors"
	"time"

	"benchvigil/internal/access"
	"benchvigil/internal/api"
	"benchvigil/internal/chart"
	"benchvigil/internal/ledger"
)

// Events is a page of what happened, the newest first.
func (a *archive) Events(ctx context.Context, q chart.EventQuery) (p chart.Page[chart.Happened], err error) {
	lq, limit, err := page(chart.HistoryQuery{Station: q.Station, From: q.From, To: q.To, Limit: q.Limit, Cursor: q.Cursor}, nil)
	if err != nil {
		return p, err
	}
	p.Items = []chart.Happened{}
	err = a.within(ctx, lookWithin, func(ctx context.Context) error {
		found := a.r.Told(ctx, ledger.ToldQuery{Query: lq, Type: q.Type, Newest: limit + 1})
		last, n := int64(0), 0
		for t, err := range found {
			if err != nil && !errors.Is(err, ledger.ErrDamaged) {
				return err
			}
			if n++; n > limit {
				p.Next = chart.Cursor(last)
				return nil
			}
			last = t.Seq
			if err != nil {
				p.Unread = append(p.Unread, err.Error())
				continue
			}
			p.Items = append(p.Items, a.happened(&t))
		}
		return nil
	})
	return p, err
}

func (a *archive) happened(t *ledger.Told) chart.Happened {
	return chart.Happened{Seq: t.Seq, Station: t.Station, Event: t.Envelope(a.bench)}
}

// Audit is a page of what people did, the newest first.
func (a *archive) Audit(ctx context.Context, q access.AuditQuery) (out []access.Entry, next int64, err error) {
	err = a.within(ctx, lookWithin, func(ctx context.Context) (err error) {
		out, next, err = audit(ctx, a.r, q)
		return err
	})
	return out, next, err
}

// tailWithin is how long a look for new events may take.
const tailWithin = 2 * time.Second

// Since lists what happened after an event, in the order in which it was told.
func (a *archive) Since(ctx context.Context, seq int64, most int) (out []chart.Happened, unread []string, err error) {
	ctx, cancel := context.WithTimeout(ctx, tailWithin)
	defer cancel()
	for t, err := range a.r.ToldSince(ctx, seq, most) {
		switch {
		case errors.Is(err, ledger.ErrDamaged):
			unread = append(unread, err.Error())
		case err != nil:
			return out, unread, err
		default:
			out = append(out, a.happened(&t))
		}
	}
	return out, unread, nil
}

// Last is the number of the event that was told last.
func (a *archive) Last(ctx context.Context) (int64, error) {
	ctx, cancel := context.WithTimeout(ctx, tailWithin)
	defer cancel()
	return a.r.LastTold(ctx)
}

// tail is the archive for whoever follows what happens; a plain nil where there
// is none.
func (a *archive) tail() api.Tail {
	if a == nil {
		return nil
	}
	return a
}
