package app

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
	"benchvigil/internal/station"
	"benchvigil/internal/supply"
	"benchvigil/internal/usb"
)

// setup is the stations that run and what feeds them. A reload puts another one
// in its place; one that was published is never changed, but for what runs.
type setup struct {
	plan    *Plan
	places  []*place // in the order of the configuration
	byID    map[string]*place
	watcher *usb.Watcher       // nil: no port is watched
	before  bench.SourceCounts // of the watchers before it

	watching *member // the watcher's; only control touches it
}

// place is a station with its own sources. Only control touches what runs.
type place struct {
	plan    StationPlan
	station *station.Station
	save    func(now time.Time, m station.Memory) // nil: nobody keeps it
	taken   bool                                  // its watch goes on from before the program was started
	sources []Source

	home  *member
	feeds []*member
}

// everything is the difference between nothing and a plan.
func everything(p *Plan) difference {
	d := difference{begin: map[string]bool{}, watch: true}
	for _, s := range p.Stations {
		d.begin[s.ID] = true
	}
	return d
}

// build makes the setup that follows old: places that did not change are taken
// over as they are, the others made but not started.
func (a *assembly) build(p *Plan, old *setup, d difference) (*setup, error) {
	next := &setup{plan: p, byID: map[string]*place{}, watcher: old.watcher, before: old.before, watching: old.watching}
	for _, sp := range p.Stations {
		pl := old.byID[sp.ID]
		if d.begin[sp.ID] {
			var err error
			if pl, err = a.newPlace(sp); err != nil {
				return nil, fmt.Errorf("%w: station %q: %w", ErrConfig, sp.ID, err)
			}
		}
		next.places = append(next.places, pl)
		next.byID[sp.ID] = pl
	}
	if !d.watch {
		return next, nil
	}
	var err error
	if next.watcher, err = a.newWatcher(p); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrConfig, err)
	}
	next.watching = nil
	return next, nil
}

func (a *assembly) newPlace(sp StationPlan) (*place, error) {
	pl := &place{plan: sp}
	failures := func() uint64 { return 0 }
	if sp.Supply != nil {
		poller, err := a.newPoller(sp, *sp.Supply)
		if err != nil {
			return nil, err
		}
		pl.sources = append(pl.sources, poller)
		failures = func() uint64 { return failed(poller) }
	}
	for _, o := range sp.Meters {
		poller, err := a.newPoller(sp, o)
		if err != nil {
			return nil, err
		}
		pl.sources = append(pl.sources, poller)
	}
	var err error
	pl.save = a.saver(sp)
	pl.station, pl.taken, err = a.newStation(sp, station.Options{
		Name: sp.Name, Port: sp.Port, Auto: sp.Auto, Record: a.observe, Tell: a.tell, Save: pl.save, Failures: failures,
		Now: a.plan.Now, Logger: a.plan.Logger,
	})
	return pl, err
}

func (a *assembly) newPoller(sp StationPlan, o supply.Options) (*supply.Poller, error) {
	o.Station, o.Name, o.Links, o.Now, o.Logger = sp.ID, sp.Name, a.links, a.plan.Now, a.plan.Logger
	return supply.New(o)
}

// failed counts the failed readings of a poller, of whatever kind.
func failed(p *supply.Poller) (n uint64) {
	for _, k := range p.Counts().Failures {
		n += k
	}
	return n
}

func (a *assembly) newWatcher(p *Plan) (*usb.Watcher, error) {
	o := p.USB
	o.Ports, o.Now, o.Logger = p.ports(), a.plan.Now, a.plan.Logger
	if len(o.Ports) == 0 {
		return nil, nil
	}
	return usb.New(o)
}

// settle starts stations.
func (a *assembly) settle(places []*place) {
	for _, p := range places {
		if p.taken {
			a.takeUp(p.plan, p.station.Drawn())
		} else {
			a.record.begin(p.plan, a.now())
			if p.save != nil {
				p.save(time.Time{}, p.station.Memory()) // so that a crash at any moment finds something to go on from
			}
		}
		p.home = a.stations.start(task{p.station.String(), p.station.Run})
	}
}

// feedAll starts the sources of places.
func (a *assembly) feedAll(places []*place) {
	for _, p := range places {
		for _, s := range p.sources {
			p.feeds = append(p.feeds, a.feed(s))
		}
	}
}

// watch starts the watcher of the ports.
func (a *assembly) watch(s *setup) {
	if s.watcher != nil {
		s.watching = a.feed(s.watcher)
	}
}

func (a *assembly) feed(s Source) *member {
	return a.sources.start(task{s.String(), func(ctx context.Context) error { return s.Run(ctx, a.deliver) }})
}

// partWithin is how long a part may take to stop while the rest goes on.
const partWithin = 5 * time.Second

// replace puts next in the place of old while the rest goes on. The sources
// stop first and start last, so that nothing is observed between; what the
// watcher told the stations that stay, the next one takes over.
func (a *assembly) replace(old, next *setup, d difference) error {
	var feeds, homes []*member
	for _, id := range d.end {
		p := old.byID[id]
		feeds, homes = append(feeds, p.feeds...), append(homes, p.home)
	}
	if d.watch && old.watching != nil {
		feeds = append(feeds, old.watching)
	}
	err := stopAll(feeds, partWithin)
	if err == nil && d.watch && old.watcher != nil && next.watcher != nil {
		next.watcher.TakeOver(stillTrue(old, next))
	}
	if d.watch {
		next.before = old.counts()
	}
	a.setup.Store(next)
	err = errors.Join(err, stopAll(homes, partWithin))
	fresh := next.fresh()
	a.record.rewire(next.plan.header())
	a.settle(fresh)
	a.feedAll(fresh)
	if d.watch {
		a.watch(next)
	}
	a.rearm(old, fresh)
	for _, p := range fresh {
		fields := []zap.Field{logkey.Station(p.plan.ID)}
		if keys := d.keys[p.plan.ID]; len(keys) > 0 {
			fields = append(fields, logkey.Keys(keys))
		}
		a.plan.Logger.Info("station begins anew", fields...)
	}
	return err
}

// rearm arms again what was armed on stations that begin anew. Its time counts
// from the beginning: nobody saw what happened in between.
func (a *assembly) rearm(old *setup, fresh []*place) {
	for _, p := range fresh {
		was := old.byID[p.plan.ID]
		if was == nil {
			continue
		}
		if w := was.station.Snapshot().Watch; w != nil && !a.mark(p.plan.ID, bench.Mark{Kind: bench.MarkArm, By: w.By, Text: w.Goal.String()}) {
			a.plan.Logger.Error("the goal is not armed any more", logkey.Station(p.plan.ID), logkey.Goal(w.Goal.String()))
		}
	}
}

// rename gives stations that go on the names they are called by now, and says
// what arms a goal there from now on.
func (a *assembly) rename(s *setup, d difference) {
	for id, modes := range d.auto {
		p := s.byID[id]
		p.plan.Auto = modes
		p.station.ArmIn(modes)
		a.plan.Logger.Info("other modes arm a goal on the station from now on", logkey.Station(id))
	}
	for id, name := range d.rename {
		p := s.byID[id]
		p.plan.Name = name
		p.station.Rename(name)
		a.plan.Logger.Info("station has another name and goes on", logkey.Station(id), logkey.Name(name))
	}
}

// stillTrue is what the old watcher told stations that go on.
func stillTrue(old, next *setup) usb.Told {
	told := old.watcher.Told()
	for port := range told {
		id := next.plan.ports()[port]
		if p := next.byID[id]; p == nil || p != old.byID[id] || p.plan.Port != port {
			delete(told, port)
		}
	}
	return told
}

// fresh lists the places that do not run yet.
func (s *setup) fresh() (out []*place) {
	for _, p := range s.places {
		if p.home == nil {
			out = append(out, p)
		}
	}
	return out
}

// counts are the totals of all watchers so far.
func (s *setup) counts() bench.SourceCounts {
	c := s.before
	if s.watcher == nil {
		return c
	}
	now := s.watcher.Counts()
	c.Uevents += now.Uevents
	c.LostUevents += now.LostUevents
	c.Rescans += now.Rescans
	c.Disagree += now.Disagree
	return c
}

func (a *assembly) counts() bench.SourceCounts { return a.setup.Load().counts() }
