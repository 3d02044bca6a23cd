package app

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/trace"
	"benchvigil/internal/unit"
)

// ExportOptions say which readings of the past to print.
type ExportOptions struct {
	DataOptions
	Station  string // needed
	Channel  string // of the readings; empty: the board's supply
	From, To time.Time
	Seconds  bool      // least, mean and greatest of each second instead
	Say      io.Writer // what cannot be read
}

// ExportReadings prints readings as CSV. What cannot be read is named; the rest
// is printed, and the error says so.
func ExportReadings(ctx context.Context, o ExportOptions) error {
	return reading(ctx, o.Data, func(r *ledger.Reader) error { return exportReadings(ctx, r, o) })
}

func exportReadings(ctx context.Context, r *ledger.Reader, o ExportOptions) error {
	e := exporter{w: bufio.NewWriter(o.Out), o: o}
	q := ledger.Query{Station: o.Station, From: o.From, To: o.To}
	if o.Seconds {
		e.line("at,readings,volts_min,volts_mean,volts_max,amps_min,amps_mean,amps_max")
		for s, err := range r.Rollups(ctx, q, o.Channel) {
			e.second(s, err)
		}
	} else {
		e.line("at,volts,amps")
		for obs, err := range r.Observations(ctx, q) {
			e.reading(obs, err)
		}
	}
	return e.end()
}

// exporter prints lines and remembers what went wrong.
type exporter struct {
	w      *bufio.Writer
	o      ExportOptions
	n, bad int
	failed error
}

func (e *exporter) line(text string) {
	if _, err := e.w.WriteString(text + "\n"); e.failed == nil {
		e.failed = err
	}
}

func (e *exporter) unread(err error) {
	e.bad++
	fmt.Fprintln(e.o.Say, "cannot be read: "+err.Error()) //nolint:errcheck // the exit code tells
}

func (e *exporter) reading(o bench.Observation, err error) {
	if err != nil {
		e.unread(err)
		return
	}
	p, ok := o.Fact.(bench.Power)
	if !ok || p.Channel != e.o.Channel {
		return
	}
	e.n++
	e.line(o.At.Format(bench.TimeFormat) + "," + micro(p.Volts) + "," + micro(p.Amps))
}

func (e *exporter) second(s trace.Rollup, err error) {
	if err != nil {
		e.unread(err)
		return
	}
	e.n++
	e.line(time.UnixMilli(s.At).UTC().Format(bench.TimeFormat) + "," + strconv.FormatInt(s.Count, 10) + span(s.Volts) + span(s.Amps))
}

func span(s trace.Span) string {
	if !s.Known {
		return ",,,"
	}
	return "," + micro(unit.Some(s.Min)) + "," + micro(unit.Some(s.Mean)) + "," + micro(unit.Some(s.Max))
}

// micro prints millionths as volts or amperes, and nothing where they are
// unknown.
func micro[T ~int64](v unit.Maybe[T]) string {
	n, known := v.Get()
	if !known {
		return ""
	}
	return strconv.FormatFloat(float64(n)/1e6, 'f', -1, 64)
}

func (e *exporter) end() error {
	if e.n == 0 && e.bad == 0 && e.failed == nil {
		return fmt.Errorf("%w: station %q had no such readings then", ErrCommand, e.o.Station)
	}
	switch err := errors.Join(e.failed, e.w.Flush()); {
	case err != nil:
		return fmt.Errorf("%w: %w", ErrRecord, err)
	case e.bad > 0:
		return fmt.Errorf("%w: %s: %d parts of the interval are missing", ErrLedger, e.o.Data, e.bad)
	}
	return nil
}
