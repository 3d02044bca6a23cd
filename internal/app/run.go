package app

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync/atomic"

	"benchvigil/internal/api"
	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/inhibit"
	"benchvigil/internal/logkey"
	"benchvigil/internal/metrics"
	"benchvigil/internal/station"
	"benchvigil/internal/supply"
	"benchvigil/internal/usb"
	"benchvigil/internal/web"
)

// Source makes observations. Run returns nil when ctx ends, and an error only
// when it can never work. emit never blocks; it returns false when the
// station's mailbox was full, and then the source should look again.
type Source interface {
	Run(ctx context.Context, emit func(bench.Observation) bool) error
	String() string
}

var (
	_ Source = (*supply.Poller)(nil)
	_ Source = (*usb.Watcher)(nil)
)

// assembly is a bench put together but not started.
type assembly struct {
	plan     *Plan
	record   *record
	stations []*station.Station
	byID     map[string]*station.Station
	sources  []Source
	watcher  *usb.Watcher    // nil: no port is watched
	keeper   *inhibit.Keeper // nil: the computer sleeps when it likes
	site     *web.Site
	listener net.Listener
	ready    atomic.Bool
}

// Run runs a bench until ctx ends. Order of starting, and the reverse of
// stopping: the record, the stations, the page, the sources. So nothing is
// observed before somebody listens, and the page lives until the sources are
// quiet.
func Run(ctx context.Context, p *Plan) error {
	a, err := assemble(p)
	if err != nil {
		return err
	}
	if p.Started != nil {
		p.Started(a.listener.Addr().String())
	}
	err = runLayers(ctx, a.layers(), func() {
		a.ready.Store(true)
		p.Logger.Info("watching", logkey.Count(uint64(len(p.Stations))), logkey.Address(a.listener.Addr().String()))
	})
	p.Logger.Info("stopped")
	return err
}

func (a *assembly) layers() []layer {
	stations := layer{name: "stations"}
	for _, s := range a.stations {
		stations.tasks = append(stations.tasks, task{s.String(), s.Run})
	}
	sources := layer{name: "sources"}
	if a.keeper != nil {
		sources.tasks = append(sources.tasks, task{a.keeper.String(), a.keeper.Run})
	}
	for _, s := range a.sources {
		sources.tasks = append(sources.tasks, task{s.String(), func(ctx context.Context) error { return s.Run(ctx, a.deliver) }})
	}
	return []layer{
		{"record", []task{{"record", a.record.run}}},
		stations,
		{"page", []task{{"page", func(ctx context.Context) error { return a.site.Serve(ctx, a.listener) }}}},
		sources,
	}
}

func assemble(p *Plan) (_ *assembly, err error) {
	a := &assembly{plan: p, byID: map[string]*station.Station{}}
	if a.listener, err = listen(p.Listen); err != nil {
		return nil, err
	}
	if a.record, err = openRecord(p); err != nil {
		return nil, errors.Join(err, a.listener.Close())
	}
	err = errors.Join(a.addStations(), a.addWatcher(), a.addPage(), a.addKeeper())
	if err != nil {
		return nil, errors.Join(err, a.listener.Close(), a.record.close())
	}
	a.sources = append(a.sources, p.Extra...)
	return a, nil
}

func listen(address string) (net.Listener, error) {
	l, err := (&net.ListenConfig{}).Listen(context.Background(), "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("serve the page on %s: %w (is benchvigil already running? choose another address with listen)", address, err)
	}
	return l, nil
}

func (a *assembly) addStations() error {
	for _, sp := range a.plan.Stations {
		failures := func() uint64 { return 0 }
		if sp.Supply != nil {
			poller, err := a.newPoller(sp)
			if err != nil {
				return fmt.Errorf("%w: station %q: %w", ErrConfig, sp.ID, err)
			}
			a.sources = append(a.sources, poller)
			failures = func() uint64 { return failed(poller) }
		}
		s, err := station.New(station.Options{
			Engine: infer.New(sp.Profile, infer.Station{ID: sp.ID, Hookup: sp.Hookup, Window: sp.Window}),
			Name:   sp.Name, Port: sp.Port, Record: a.record.observe, Tell: a.record.tell, Failures: failures,
			Now: a.plan.Now, Logger: a.plan.Logger,
		})
		if err != nil {
			return err
		}
		a.stations = append(a.stations, s)
		a.byID[sp.ID] = s
	}
	return nil
}

func (a *assembly) newPoller(sp StationPlan) (*supply.Poller, error) {
	o := *sp.Supply
	o.Station, o.Name, o.Now, o.Logger = sp.ID, sp.Name, a.plan.Now, a.plan.Logger
	return supply.New(o)
}

// failed counts the failed readings of a poller, of whatever kind.
func failed(p *supply.Poller) (n uint64) {
	for _, k := range p.Counts().Failures {
		n += k
	}
	return n
}

func (a *assembly) addWatcher() error {
	ports := a.plan.ports()
	if len(ports) == 0 {
		return nil
	}
	o := a.plan.USB
	o.Ports, o.Now, o.Logger = ports, a.plan.Now, a.plan.Logger
	w, err := usb.New(o)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrConfig, err)
	}
	a.watcher = w
	a.sources = append(a.sources, w)
	return nil
}

func (a *assembly) addPage() error {
	collector := metrics.New(metrics.Options{Snapshots: a.snapshots, Sources: a.counts, Version: a.plan.Version})
	site, err := web.New(web.Options{
		Bench: a.plan.Bench, Banner: a.plan.Banner, Version: a.plan.Version, Logger: a.plan.Logger,
		Snapshots: a.snapshots, Health: a.record.health, Ready: a.isReady, Metrics: collector.Handler(),
		API: api.New(api.Options{Snapshots: a.snapshots, Mark: a.mark, Follow: a.follow, Logger: a.plan.Logger}),
	})
	a.site = site
	return err
}

// deliver hands an observation to its station.
func (a *assembly) deliver(o bench.Observation) bool {
	s := a.byID[o.Station]
	return s != nil && s.Put(o)
}

// mark hands a person's mark to a station.
func (a *assembly) mark(id string, m bench.Mark) bool {
	return a.deliver(bench.Observation{At: a.now(), Station: id, Fact: m})
}

// snapshots are in the order of the configuration.
func (a *assembly) snapshots() []bench.Snapshot {
	out := make([]bench.Snapshot, len(a.stations))
	for i, s := range a.stations {
		out[i] = s.Snapshot()
	}
	return out
}

func (a *assembly) counts() bench.SourceCounts {
	if a.watcher == nil {
		return bench.SourceCounts{}
	}
	return a.watcher.Counts()
}

func (a *assembly) isReady() error {
	if !a.ready.Load() {
		return errors.New("still starting")
	}
	return nil
}
