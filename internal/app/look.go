package app

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"benchvigil/internal/api"
	"benchvigil/internal/bench"
)

// StatusOptions say how to show the stations of a running daemon.
type StatusOptions struct {
	URL   string
	JSON  bool
	Watch bool          // again and again until ctx ends
	Every time.Duration // between looks with Watch
	Clear bool          // clear the screen between looks
	Out   io.Writer
	Say   io.Writer // beside JSON, what is no station
}

// ShowStatus prints one look at all stations, or one after another. One after
// another, it waits for a daemon that answered before and does no more.
func ShowStatus(ctx context.Context, o StatusOptions) error {
	c, err := newClient(o.URL)
	if err != nil {
		return err
	}
	if o.Watch && (o.Every < 100*time.Millisecond || o.Every > time.Hour) {
		return fmt.Errorf("%w: --every %v: want 100ms to 1h", ErrCommand, o.Every)
	}
	l := looker{o: o, ask: c.stations, alerts: c.alerts}
	return l.run(ctx)
}

// looker shows what a daemon answers.
type looker struct {
	o   StatusOptions
	ask func(context.Context) ([]api.Status, string, error)
	// alerts are those that are not normal; nil: there never are any. JSON has
	// a command of its own for them.
	alerts func(context.Context) ([]bench.AlertView, error)

	heard time.Time // the last answer
	said  string    // what was said last beside the stations
}

func (l *looker) run(ctx context.Context) error {
	for {
		err := l.look(ctx)
		switch {
		case l.o.Watch && ctx.Err() != nil:
			return nil //nolint:nilerr // interrupted, as it should be
		case err != nil, !l.o.Watch:
			return err
		}
		select {
		case <-time.After(l.o.Every):
		case <-ctx.Done():
			return nil
		}
	}
}

func (l *looker) look(ctx context.Context) error {
	stations, notice, err := l.ask(ctx)
	var standing []bench.AlertView
	if err == nil && l.alerts != nil && !l.o.JSON {
		standing, err = l.alerts(ctx)
	}
	switch {
	case err == nil:
		l.heard = time.Now()
		return l.show(stations, notice, standing)
	case !l.o.Watch, l.heard.IsZero(), ctx.Err() != nil:
		return err
	}
	return l.missed(err)
}

// missed tells once that there is no answer any more.
func (l *looker) missed(why error) error {
	text := fmt.Sprintf("no answer since %s: %v", at(l.heard), why)
	if l.o.JSON {
		return l.say(text)
	}
	if text == l.said {
		return nil
	}
	l.said = text
	return l.print(text + "\n")
}

func (l *looker) show(stations []api.Status, notice string, standing []bench.AlertView) error {
	var b strings.Builder
	if l.o.JSON {
		if err := l.say(notice); err != nil {
			return err
		}
		if err := json.NewEncoder(&b).Encode(stations); err != nil {
			return err
		}
		return l.print(b.String())
	}
	l.said = ""
	b.WriteString(alertLines(standing))
	if notice != "" {
		b.WriteString(notice + "\n")
	}
	if err := table(&b, stations); err != nil {
		return err
	}
	return l.print(b.String())
}

// say tells once what does not belong into JSON.
func (l *looker) say(text string) error {
	if text == l.said {
		return nil
	}
	l.said = text
	if text == "" {
		return nil
	}
	_, err := fmt.Fprintln(l.o.Say, text)
	return err
}

func (l *looker) print(text string) error {
	if l.o.Clear {
		text = "\x1b[H\x1b[2J" + text // home, erase display (ECMA-48)
	}
	_, err := io.WriteString(l.o.Out, text)
	return err
}
