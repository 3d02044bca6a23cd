package app

import (
	"context"
	"fmt"
	"os"
	"strings"
	"time"

	"benchvigil/internal/access"
	"benchvigil/internal/logkey"
)

// Reload says when another plan is to be loaded, and how.
type Reload struct {
	Asked   <-chan os.Signal // somebody asks
	Changed <-chan struct{}  // what the plan was made of has changed
	Load    func() (*Plan, error)
}

// loaded is how the last loading of a configuration went.
type loaded struct {
	ok    bool
	at    time.Time // when the one in force was loaded
	since time.Time // when it was first refused
	why   string    // it is refused
}

// refused follows a loading with one that is refused.
func (l loaded) refused(now time.Time, err error) *loaded {
	if l.ok {
		l.since = now
	}
	l.ok, l.why = false, err.Error()
	return &l
}

// notice says what everybody at the bench should know of it, "" for nothing.
func (l loaded) notice() string {
	if l.ok {
		return ""
	}
	return fmt.Sprintf("The new configuration is refused since %s, the old one stays in force: %s", l.since.Local().Format(time.TimeOnly), l.why)
}

// control is the one goroutine that changes what runs, and that feeds the
// watchdog: a change that hangs starves it.
func (a *assembly) control(ctx context.Context) error {
	defer func() { a.heard(a.plan.Service.Stopping()) }()
	within := a.plan.Service.Watchdog() / 3
	var hungry <-chan time.Time
	if within > 0 {
		tick := time.NewTicker(within)
		defer tick.Stop()
		hungry = tick.C
	}
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-a.plan.Reload.Asked:
			a.reload()
		case <-a.plan.Reload.Changed:
			a.reload()
		case <-hungry:
			a.prove(ctx, within)
		}
	}
}

// prove feeds the watchdog if every station does its work.
func (a *assembly) prove(ctx context.Context, within time.Duration) {
	probe, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	for _, p := range a.setup.Load().places {
		if err := p.station.Probe(probe); err != nil {
			if ctx.Err() == nil {
				a.plan.Logger.Error("the watchdog is not fed", logkey.Station(p.plan.ID), logkey.Err(err))
			}
			return
		}
	}
	a.heard(a.plan.Service.Feed())
}

// reload follows the configuration as it is now. A bad one changes nothing.
func (a *assembly) reload() {
	next, err := a.plan.Reload.Load()
	if err == nil {
		err = a.adopt(next)
	}
	status := a.watching()
	if err != nil {
		a.loaded.Store(a.loaded.Load().refused(time.Now(), err))
		a.plan.Logger.Error("the new configuration is refused, the old one stays in force", logkey.Err(err))
		status += "; the new configuration is refused: " + err.Error()
	} else {
		a.loaded.Store(&loaded{ok: true, at: time.Now()})
	}
	a.heard(a.plan.Service.Status(status))
}

// adopt puts a plan in the place of the one in force. It fails before anything
// was changed.
func (a *assembly) adopt(p *Plan) error {
	old := a.setup.Load()
	d := compare(old.plan.From, p.From)
	p.Bench = a.plan.Bench // as it began
	next, err := a.build(p, old, d)
	if err != nil {
		return err
	}
	if err := a.retell(p); err != nil {
		return err
	}
	for _, key := range pinned(a.plan.From, p.From) {
		a.plan.Logger.Warn("this change needs a restart of benchvigil", logkey.Key(key))
	}
	a.rename(next, d)
	if d.none() {
		a.setup.Store(next)
		a.plan.Logger.Info("configuration read again: no station begins anew")
		return nil
	}
	if err := a.replace(old, next, d); err != nil {
		a.plan.Logger.Error("a part that the configuration no longer has does not stop", logkey.Err(err))
	}
	a.plan.Logger.Info("configuration read again", logkey.Count(uint64(len(p.Stations))))
	return nil
}

// reloaded tells the metrics how loading went; nil where nothing is loaded.
func (a *assembly) reloaded() func() (bool, time.Time) {
	if a.plan.Reload.Load == nil {
		return nil
	}
	return func() (bool, time.Time) {
		l := a.loaded.Load()
		return l.ok, l.at
	}
}

// notice tells the pages; nil where nothing is loaded.
func (a *assembly) notice() func() string {
	if a.plan.Reload.Load == nil && a.plan.From.TLS.Certificate == "" {
		return nil
	}
	return func() string {
		var all []string
		if a.plan.Reload.Load != nil {
			all = append(all, a.loaded.Load().notice())
		}
		if a.proof != nil {
			all = append(all, access.Notice(a.proof.Ends(), time.Now()))
		}
		return strings.TrimSpace(strings.Join(all, " "))
	}
}

// watching says in a line what goes on.
func (a *assembly) watching() string {
	n, noun := len(a.setup.Load().places), "stations"
	if n == 1 {
		noun = "station"
	}
	return fmt.Sprintf("watching %d %s on %s/", n, noun, a.address())
}

// heard logs that the service manager could not be told.
func (a *assembly) heard(err error) {
	if err != nil {
		a.plan.Logger.Warn("the service manager does not hear", logkey.Err(err))
	}
}
