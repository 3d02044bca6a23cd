package app

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/heartbeat"
	"benchvigil/internal/alert/load"
	"benchvigil/internal/alert/roster"
	"benchvigil/internal/alert/rule"
	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
)

// watched are the stations as they are, for the desk; what the configuration's
// loading came to is looked at by the way.
func (a *assembly) watched() []bench.Snapshot {
	if l := a.loaded.Load(); !l.ok || a.desk.troubled(bench.AlertConfig) {
		t := rule.Trouble{Kind: bench.AlertConfig, Since: l.since, At: a.now(), Why: l.why, Over: l.ok}
		a.desk.know(t, l.why)
	}
	return a.snapshots()
}

// keepTelling starts what tells without being asked: the heartbeat, and outlets
// that say again what stands.
func (a *assembly) keepTelling(p *Plan) {
	tasks := a.desk.ways.Load().tasks
	if url := p.From.Heartbeat.URL.Reveal(); url != "" {
		b, err := heartbeat.New(heartbeat.Options{URL: url, Every: p.From.Heartbeat.Every, Alive: a.alive, Logger: p.Logger})
		if err != nil {
			p.Logger.Error("there is no heartbeat", logkey.Err(err))
		} else {
			tasks = append(tasks, task{b.String(), b.Run})
		}
	}
	for _, t := range tasks {
		a.telling = append(a.telling, a.alerts.start(t))
	}
}

// alive goes through all that has to work for an alert to get out: every
// station, and the ledger.
func (a *assembly) alive(ctx context.Context) error {
	for _, p := range a.setup.Load().places {
		if err := p.station.Probe(ctx); err != nil {
			return fmt.Errorf("station %q: %w", p.plan.ID, err)
		}
	}
	if a.record.store != nil {
		if err := a.record.store.Flush(ctx); err != nil {
			return fmt.Errorf("ledger: %w", err)
		}
	}
	return nil
}

// retell puts in force what a plan says of alerts.
func (a *assembly) retell(p *Plan) error {
	w, err := a.desk.follow(p)
	if err != nil {
		return fmt.Errorf("%w: alerts: %w", ErrConfig, err)
	}
	a.desk.post.Replace(w.outlets, w.limits)
	for _, name := range a.desk.hosts.gone(w.outlets) {
		a.desk.failing(name, time.Time{}, nil) // it can trouble nobody any more
	}
	if err := stopAll(a.telling, partWithin); err != nil {
		a.plan.Logger.Error("an outlet that the configuration no longer has does not stop", logkey.Err(err))
	}
	a.telling = nil
	a.keepTelling(p)
	return nil
}

// confess tells that nobody watched for a while, if the program did not end in
// order: since when, and what the stations were doing.
func (a *assembly) confess(s *setup) {
	if s == nil || a.record.store == nil || !a.record.store.Unclean() {
		return
	}
	var since time.Time
	var doing []string
	for _, p := range s.places {
		saved, err := a.record.store.State(context.Background(), p.plan.ID)
		if err != nil || saved == nil {
			continue
		}
		if saved.At.After(since) {
			since = saved.At
		}
		if p.taken {
			v := p.station.Snapshot()
			doing = append(doing, doingWords(&v, saved.At))
		}
	}
	if since.IsZero() {
		return
	}
	now := a.now()
	a.desk.trouble(rule.Trouble{Kind: bench.AlertUnwatched, Since: since, Until: now, At: now, Why: strings.Join(doing, "; ")})
}

// doingWords says what a station was doing when it was watched last.
func doingWords(s *bench.Snapshot, last time.Time) string {
	words := fmt.Sprintf("%s was %s", s.Name, s.Label)
	if s.Run != nil && !s.Run.Start.After(last) {
		words += ", up " + bench.InWords(last.Sub(s.Run.Start).Round(time.Second))
	}
	if s.Watch != nil {
		words += ", to " + s.Watch.Goal.String()
	}
	return words
}

// troubled reports a trouble of the bench that was reported and stands.
func (d *desk) troubled(kind bench.AlertKind) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	_, ok := d.stands[kind]
	return ok
}

// know takes a trouble of the bench as it is now; why is empty where it is over.
func (d *desk) know(t rule.Trouble, why string) {
	d.change(func(time.Time) []bench.Event { return d.apply(d.report(t, why)) })
}

// triedFor is how long a test waits for the outlets to answer.
const triedFor = 12 * time.Second

// try sends a test by an outlet, or by all of them, and says how they fare then.
func (d *desk) try(ctx context.Context, outlet, by string) ([]bench.OutletView, error) {
	w := d.ways.Load()
	names := w.names
	if outlet != "" {
		names = []string{outlet}
	}
	if len(names) == 0 {
		return nil, errors.New("there is no outlet: alerts are shown on the pages alone; set contact in the configuration to let phones subscribe, or outlets")
	}
	now := d.now()
	a := rule.Test(now, d.zone)
	counted := map[string]uint64{}
	for _, v := range d.outlets() {
		counted[v.Name] = v.Delivered + v.Failed + v.GivenUp
	}
	var due []roster.Delivery
	for _, name := range names {
		v := bench.AlertView{Alert: a, State: bench.AlertNormal, Changed: now, Raised: now, By: by}
		m := alert.Message{Key: fmt.Sprintf("%s.test.%s", a.Key, name), Deed: alert.Test, Alert: v, Made: now}
		due = append(due, roster.Delivery{Outlet: name, Message: m, Due: now})
	}
	d.mu.Lock()
	for i := range due {
		due[i].Message.Bench = d.bench
	}
	out := d.put(nil, due)
	d.mu.Unlock()
	d.send(out)
	return d.answered(ctx, names, counted), nil
}

// answered waits until all of some outlets have delivered something or failed.
func (d *desk) answered(ctx context.Context, names []string, counted map[string]uint64) (out []bench.OutletView) {
	ctx, cancel := context.WithTimeout(ctx, triedFor)
	defer cancel()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for {
		out = out[:0]
		open := false
		for _, v := range d.outlets() {
			for _, name := range names {
				if v.Name == name {
					out = append(out, v)
					open = open || v.Delivered+v.Failed+v.GivenUp == counted[name]
				}
			}
		}
		if !open {
			return out
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return out
		}
	}
}

// load measures what the alerts of a time asked of people.
func (d *desk) load(ctx context.Context, from, to time.Time) (any, error) {
	return d.measured(ctx, from, to)
}

func (d *desk) measured(ctx context.Context, from, to time.Time) (load.Report, error) {
	if d.store == nil {
		return load.Report{}, errors.New("no ledger is kept: what alerts ask of people is measured where run has --data")
	}
	d.mu.Lock()
	people := d.people
	d.mu.Unlock()
	return loadOf(ctx, d.store.Reader, from, to, people)
}
