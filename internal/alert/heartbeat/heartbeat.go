// Package heartbeat tells a service outside, again and again, that the daemon is
// alive: that service raises the alarm when it hears nothing any more, which
// nobody in here could. It owns when it calls, what counts as heard and how a
// failure is told. It must not know what being alive means: it is told.
//
// The address is a secret, because whoever has it can keep the alarm quiet: no
// log, error or status shows more of it than scheme and host.
package heartbeat

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/logkey"
)

// Options of a Beater.
type Options struct {
	// URL is called by GET; any answer of 2xx is a beat that was heard.
	URL string
	// Every is from beat to beat; default 1 min, 1 s at least.
	Every time.Duration
	// Timeout bounds Alive and the call, each; default 10 s.
	Timeout time.Duration
	// Alive goes through what has to work, such as a mark written and read
	// back; there is no beat where it returns an error. It must end soon after its
	// context. Its errors are logged and shown as they are. nil: always alive.
	Alive     func(context.Context) error
	Transport http.RoundTripper // default one of its own
	Now       func() time.Time  // default time.Now
	Logger    *zap.Logger       // default none
}

// Beater calls one address.
type Beater struct {
	opts   Options
	client http.Client
	shown  string // what of the address may be shown
	status atomic.Pointer[Status]
}

// Status is how the calling goes. The zero Status: nothing was called yet.
type Status struct {
	Heard    time.Time // the last beat that was heard; zero: none
	Failing  time.Time // since when none is heard; zero: it does not fail
	Failures uint64    // in a row
	Error    string    // of the last beat, "" where it was heard
}

// New makes a beater that has called nothing yet.
func New(o Options) (*Beater, error) {
	u, err := url.Parse(o.URL)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" {
		// The parser's own words would show the address.
		return nil, errors.New("heartbeat: url is no address: write it like https://HOST/PATH")
	}
	o.Every, o.Timeout = cmp.Or(o.Every, time.Minute), cmp.Or(o.Timeout, 10*time.Second)
	if o.Every < time.Second {
		return nil, fmt.Errorf("heartbeat: every %s is too often: 1s is the least", o.Every)
	}
	if o.Timeout < 0 {
		return nil, fmt.Errorf("heartbeat: a timeout of %s cannot be kept", o.Timeout)
	}
	if o.Alive == nil {
		o.Alive = func(context.Context) error { return nil }
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	return &Beater{opts: o, client: clientOf(o), shown: show(u)}, nil
}

// show is the address without what is secret in it.
func show(u *url.URL) string {
	shown := u.Scheme + "://" + u.Host
	if len(u.Path) > 1 || u.RawQuery != "" {
		shown += "/…"
	}
	return shown
}

// String names the beater in logs.
func (b *Beater) String() string { return "heartbeat" }

// Status may be called from any goroutine.
func (b *Beater) Status() Status {
	if s := b.status.Load(); s != nil {
		return *s
	}
	return Status{}
}

// Run beats at once and then again and again, until ctx ends. One beat ends
// before the next begins: those that a slow one runs into are left out. It
// always returns nil.
func (b *Beater) Run(ctx context.Context) error {
	defer b.client.CloseIdleConnections()
	tick := time.NewTicker(b.opts.Every)
	defer tick.Stop()
	for {
		if err := b.beat(ctx); ctx.Err() == nil {
			b.note(err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// beat calls the address if all is well.
func (b *Beater) beat(ctx context.Context) error {
	if err := b.alive(ctx); err != nil {
		return fmt.Errorf("not alive: %w", err)
	}
	if err := b.call(ctx); err != nil {
		return fmt.Errorf("call %s: %w", b.shown, err)
	}
	return nil
}

func (b *Beater) alive(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, b.opts.Timeout)
	defer cancel()
	return b.opts.Alive(ctx)
}

// note follows what came of a beat, and tells when that turns.
func (b *Beater) note(err error) {
	before, now := b.Status(), b.opts.Now()
	next := follow(before, now, err)
	b.status.Store(&next)
	switch {
	case before.Failures == 0 && err != nil:
		b.opts.Logger.Warn("the service outside does not hear that this bench is alive", logkey.Source(b.String()), logkey.Err(err))
	case before.Failures > 0 && err == nil:
		b.opts.Logger.Info("the service outside hears again that this bench is alive", logkey.Source(b.String()),
			logkey.Count(before.Failures), logkey.Elapsed(now.Sub(before.Failing)))
	}
}

// follow is the status after another beat.
func follow(s Status, now time.Time, err error) Status {
	if err == nil {
		return Status{Heard: now}
	}
	if s.Failures == 0 {
		s.Failing = now
	}
	s.Failures++
	s.Error = err.Error()
	return s
}
