package app

import (
	"context"
	"fmt"
	"io"
	"time"

	"benchvigil/internal/alert/load"
	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
)

// StatsOptions say over which days alarm load is measured.
type StatsOptions struct {
	AlertsOptions
	Days   int
	Data   string // folder of the ledger; empty: the running daemon is asked
	People int    // with Data: among whom the load is shared; 0: one
}

// mostDays is the longest time that alarm load is measured over.
const mostDays = 366

// ShowLoad prints the measures of alarm load.
func ShowLoad(ctx context.Context, o StatsOptions) error {
	if o.Days < 1 || o.Days > mostDays {
		return fmt.Errorf("%w: --days %d: want 1 to %d", ErrCommand, o.Days, mostDays)
	}
	report, err := o.measure(ctx)
	if err != nil {
		return err
	}
	if o.JSON {
		return printJSON(o.Out, report)
	}
	_, err = io.WriteString(o.Out, report.Text())
	return err
}

func (o StatsOptions) measure(ctx context.Context) (report load.Report, err error) {
	if o.Data != "" {
		to := time.Now()
		err = reading(ctx, o.Data, func(r *ledger.Reader) error {
			report, err = loadOf(ctx, r, to.AddDate(0, 0, -o.Days), to, max(1, o.People))
			return err
		})
		return report, err
	}
	c, err := newClient(o.URL)
	if err != nil {
		return report, err
	}
	return report, c.get(ctx, fmt.Sprintf("/api/v1/alerts/load?days=%d", o.Days), &report)
}

// standingSince is how far before the time that is measured alerts are looked
// for that still stand in it.
const standingSince = 31 * 24 * time.Hour

// loadOf measures what a ledger tells, since it is kept where that is not as long.
func loadOf(ctx context.Context, r *ledger.Reader, from, to time.Time, people int) (load.Report, error) {
	began, err := r.Began(ctx)
	if err != nil {
		return load.Report{}, fmt.Errorf("%w: read when it began: %w", ErrLedger, err)
	}
	younger := began.After(from) && began.Before(to)
	if younger {
		from = began
	}
	var broken error
	events := func(yield func(bench.Event) bool) {
		for e, err := range r.AlertEvents(ctx, ledger.Query{From: from.Add(-standingSince), To: to}) {
			if err != nil {
				broken = fmt.Errorf("%w: read alerts: %w", ErrLedger, err)
				return
			}
			if !yield(e) {
				return
			}
		}
	}
	report := load.Of(events, from, to, people)
	report.Younger = younger
	return report, broken
}
