package app

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/recording"
)

// CutOptions say which interval of the past becomes a recording.
type CutOptions struct {
	Data     string
	Station  string    // only this one; empty: all
	From, To time.Time // zero: open
	File     string    // a new file; "-" is standard output
	Out      io.Writer // standard output
	Say      io.Writer // what cannot be read
}

// Cut writes what was observed in an interval as a recording. What cannot be
// read is named; the rest is written, and the error says so.
func Cut(ctx context.Context, o CutOptions) error {
	if err := free(o.File); err != nil {
		return err
	}
	return reading(ctx, o.Data, func(r *ledger.Reader) (err error) {
		out, done, err := recordTo(RecordOptions{File: o.File, Out: o.Out})
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, done()) }()
		return o.cut(ctx, r, out)
	})
}

// cut writes the recording to w.
func (o CutOptions) cut(ctx context.Context, r *ledger.Reader, w io.Writer) error {
	stretches := map[int64]ledger.Stretch{}
	for s, err := range r.Stretches(ctx, o.Station) {
		if err != nil {
			return fmt.Errorf("%w: %s: %w", ErrLedger, o.Data, err)
		}
		stretches[s.ID] = s
	}
	b := bufio.NewWriter(w)
	c := cutter{o: o, w: b, stretches: stretches, at: map[string]*ledger.Recorded{}}
	err := c.cut(r.Recorded(ctx, ledger.Query{Station: o.Station, From: o.From, To: o.To}))
	return errors.Join(err, b.Flush())
}

// cutter writes observations, and before each station's first how it was wired.
type cutter struct {
	o         CutOptions
	w         io.Writer
	stretches map[int64]ledger.Stretch
	at        map[string]*ledger.Recorded // the last one of each station
	n, bad    int
}

func (c *cutter) cut(all func(func(ledger.Recorded, error) bool)) (err error) {
	all(func(o ledger.Recorded, failed error) bool {
		if failed != nil {
			c.bad++
			fmt.Fprintln(c.o.Say, "cannot be read: "+failed.Error()) //nolint:errcheck // the exit code tells
			return true
		}
		err = c.add(o)
		return err == nil
	})
	switch {
	case err != nil:
		return fmt.Errorf("%w: %w", ErrRecord, err)
	case c.bad > 0:
		return fmt.Errorf("%w: %s: %d parts of the interval are missing", ErrLedger, c.o.Data, c.bad)
	case c.n == 0:
		return fmt.Errorf("%w: nothing was recorded then", ErrCommand)
	}
	return nil
}

func (c *cutter) add(o ledger.Recorded) error {
	before := c.at[o.Station]
	if s := c.stretches[o.Stretch]; before == nil || before.Stretch != o.Stretch && s.Anew {
		if err := c.begin(o.Station, s.Wiring, before); err != nil {
			return err
		}
	}
	c.at[o.Station] = &o
	return c.line(recording.Encode(o.Observation))
}

// begin writes how a station is wired that begins, after its end where it went
// without one.
func (c *cutter) begin(station string, w ledger.Wiring, before *ledger.Recorded) error {
	if before != nil && before.Fact != (bench.Clock{End: true}) {
		if err := c.line(recording.Encode(bench.Observation{At: before.At, Station: station, Fact: bench.Clock{End: true}})); err != nil {
			return err
		}
	}
	return c.line(recording.EncodeHeader(recording.Header{
		Bench: w.Bench, Stations: map[string]recording.Stations{station: recording.Describe(w.Hookup)},
	}))
}

func (c *cutter) line(b []byte, err error) error {
	if err == nil {
		c.n++
		_, err = c.w.Write(append(b, '\n'))
	}
	return err
}
