package app

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"benchvigil/internal/api"
	"benchvigil/internal/bench"
)

// MarkOptions are a mark for a station of a running daemon.
type MarkOptions struct {
	URL     string
	Station string
	Mark    bench.Mark
	// Sure asks somebody whether to end a run that goes on; nil: nobody is there.
	Sure func(question string) bool
}

// ErrKept means that somebody thought better of a mark.
var ErrKept = errors.New("nothing was marked, the run goes on")

// MakeMark hands a person's mark to the daemon.
func MakeMark(ctx context.Context, o MarkOptions) error {
	c, err := newClient(o.URL)
	if err != nil {
		return err
	}
	o.Mark = o.Mark.Tidy()
	if err := o.Mark.Check(); err != nil {
		return fmt.Errorf("%w: %w", ErrCommand, err)
	}
	if o.Station == "" || strings.ContainsAny(o.Station, "/?#") {
		return fmt.Errorf("%w: %q is no station", ErrCommand, o.Station)
	}
	if err := c.sure(ctx, o); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	m := api.Mark{Kind: o.Mark.Kind, By: o.Mark.By, Text: o.Mark.Text, ForSecs: o.Mark.For.Seconds()}
	res, err := c.do(ctx, "POST", "/api/v1/stations/"+o.Station+"/marks", m)
	return errors.Join(err, closeBody(res))
}

// sure asks before a run that goes on is ended: a restore that is stopped by
// mistake is watched by nobody.
func (c *client) sure(ctx context.Context, o MarkOptions) error {
	if o.Sure == nil || o.Mark.Kind != bench.MarkStop {
		return nil
	}
	all, _, err := c.stations(ctx)
	if err != nil {
		return err
	}
	for _, s := range all {
		if s.Station == o.Station && s.Run != nil && !o.Sure(endQuestion(s)) {
			return ErrKept
		}
	}
	return nil
}

func endQuestion(s api.Status) string {
	if a := ampsWords(s); a != "-" && s.SupplyLostSince.IsZero() {
		return fmt.Sprintf("%s flows in %s: end this run?", a, s.Label)
	}
	return fmt.Sprintf("it is up in %s for %s: end this run?", s.Label, clock(s.Run.UptimeS))
}
