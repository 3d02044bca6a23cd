package app

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/netip"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"benchvigil/internal/access"
	"benchvigil/internal/alert/life"
	"benchvigil/internal/api"
	"benchvigil/internal/bench"
	"benchvigil/internal/inhibit"
	"benchvigil/internal/logkey"
	"benchvigil/internal/metrics"
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
	plan     *Plan // as it began; what can change meanwhile is in setup
	record   *record
	desk     *desk
	links    *supply.Links // the connections of all supplies and meters
	setup    atomic.Pointer[setup]
	keeper   *inhibit.Keeper // nil: the computer sleeps when it likes
	site     *web.Site
	trail    *trail
	stream   *api.Stream
	listener net.Listener
	proof    *access.Certificate // nil: plain HTTP
	ready    atomic.Bool
	loaded   atomic.Pointer[loaded]

	alerts, stations, sources *layer // whose members come and go with the setup

	telling []*member // what tells without being asked; only control touches it
}

// address is where people open the page. Beyond this computer, that is a name
// which the certificate is for.
func (a *assembly) address() string {
	at := a.listener.Addr().String()
	if a.proof == nil {
		return "http://" + at
	}
	host, port, err := net.SplitHostPort(at)
	names := slices.Sorted(maps.Keys(a.proof.Names()))
	if ip, bad := netip.ParseAddr(host); err == nil && bad == nil && ip.IsUnspecified() && len(names) > 0 {
		host = names[len(names)-1] // names come after addresses
		if i := slices.IndexFunc(names, func(n string) bool { return strings.Contains(n, ".") && net.ParseIP(n) == nil }); i >= 0 {
			host = names[i]
		}
	}
	return "https://" + net.JoinHostPort(host, port)
}

// Run runs a bench until ctx ends. Order of starting, and the reverse of
// stopping: the record, the stations, the page, the sources, and what changes
// all these. So nothing is observed before somebody listens, and the page lives
// until the sources are quiet.
func Run(ctx context.Context, p *Plan) error {
	a, err := assemble(p)
	if err != nil {
		return err
	}
	if p.Started != nil {
		p.Started(a.address())
	}
	err = runLayers(ctx, a.layers(), func() {
		a.ready.Store(true)
		p.Logger.Info("watching", logkey.Count(uint64(len(p.Stations))), logkey.Address(a.listener.Addr().String()))
		a.heard(p.Service.Ready(a.watching()))
	})
	p.Logger.Info("stopped")
	return err
}

func (a *assembly) layers() []*layer {
	a.alerts = &layer{name: "alerts", begin: func(l *layer) {
		l.start(task{"alerts", func(ctx context.Context) error { return a.desk.watch(ctx, a.watched) }})
		l.start(task{"outlets", a.desk.post.Run})
		a.keepTelling(a.plan)
	}}
	a.stations = &layer{name: "stations", begin: func(*layer) { a.settle(a.setup.Load().places) }}
	a.sources = &layer{name: "sources", begin: func(l *layer) {
		if a.keeper != nil {
			l.start(task{a.keeper.String(), a.keeper.Run})
		}
		for _, s := range a.plan.Extra {
			a.feed(s)
		}
		a.feedAll(a.setup.Load().places)
		a.watch(a.setup.Load())
	}}
	return []*layer{
		{name: "record", begin: starting(task{"record", a.record.run})},
		{name: "trail", begin: starting(task{"trail", a.trail.run})},
		a.alerts,
		a.stations,
		{name: "page", begin: starting(
			task{"page", func(ctx context.Context) error { return a.site.Serve(ctx, a.listener) }},
			task{"stream", a.stream.Run},
		)},
		a.sources,
		{name: "control", begin: starting(task{"control", a.control})},
	}
}

func assemble(p *Plan) (_ *assembly, err error) {
	a := &assembly{plan: p, links: supply.NewLinks()}
	a.loaded.Store(&loaded{ok: true, at: time.Now()})
	if a.listener, err = listen(p.Listen); err != nil {
		return nil, err
	}
	if a.record, err = openRecord(p); err != nil {
		return nil, errors.Join(err, a.listener.Close())
	}
	if a.desk, err = newDesk(p, a.record.store); err != nil {
		return nil, errors.Join(err, a.listener.Close(), a.record.close())
	}
	first, err := a.build(p, &setup{}, everything(p))
	a.setup.Store(first)
	a.remind(first)
	a.confess(first)
	if err = errors.Join(err, a.addPage(), a.addKeeper()); err != nil {
		return nil, errors.Join(err, a.listener.Close(), a.record.close())
	}
	return a, nil
}

// remind logs the goals that were armed when the program last stopped.
func (a *assembly) remind(s *setup) {
	if s == nil {
		return
	}
	for _, p := range s.places {
		if w := p.station.Snapshot().Forgotten; w != nil {
			a.plan.Logger.Warn("a goal was armed before the restart: arm it again", logkey.Station(p.plan.ID), logkey.Goal(w.Goal.String()), logkey.At(w.Armed))
		}
	}
}

func listen(address string) (net.Listener, error) {
	l, err := (&net.ListenConfig{}).Listen(context.Background(), "tcp", address)
	if err != nil {
		hint := ""
		if errors.Is(err, syscall.EADDRINUSE) {
			hint = " (is benchvigil already running? choose another address with listen)"
		}
		return nil, fmt.Errorf("serve the page on %s: %w%s", address, err, hint)
	}
	return l, nil
}

func (a *assembly) addPage() error {
	collector := metrics.New(metrics.Options{
		Snapshots: a.snapshots, Sources: a.counts, Reload: a.reloaded(), Ledger: a.record.stored(), Version: a.plan.Version,
	})
	past := newArchive(a.record, a.plan, a.stationPlans, a.now)
	a.stream = api.NewStream(api.StreamOptions{Snapshots: a.snapshots, Tail: past.tail(), Logger: a.plan.Logger})
	o := web.Options{
		Bench: a.plan.Bench, Banner: a.plan.Banner, Notice: a.notice(), Version: a.plan.Version, Logger: a.plan.Logger,
		Snapshots: a.snapshots, Health: a.record.health, Ready: a.isReady, Metrics: collector.Handler(), Mark: a.mark,
		Alerts: a.desk.views, Act: a.desk.act, TestAlert: a.desk.try, Load: a.desk.webLoad, Outlets: a.desk.outlets, Push: a.push(), Past: past.past(),
		API: api.New(api.Options{
			Past: past.past(), Stream: a.stream,
			Alerts: a.desk.views, Act: a.desk.act, Unknown: func(err error) bool { return errors.Is(err, life.ErrUnknown) }, TestAlert: a.desk.try, Load: a.desk.load, Outlets: a.desk.outlets,
			Snapshots: a.snapshots, Notice: a.notice(), Mark: a.mark, Follow: a.follow, About: a.about, Logger: a.plan.Logger,
		}),
	}
	if err := a.guard(&o); err != nil {
		return err
	}
	site, err := web.New(o)
	a.site = site
	return err
}

// tell takes what a station concluded: it is safe, and on its way to people,
// before it is shown or written anywhere else.
func (a *assembly) tell(events []bench.Event, s *bench.Snapshot) {
	a.desk.tell(events, s)
	a.record.tell(events)
}

// observe takes what a station is about to be given.
func (a *assembly) observe(o bench.Observation) {
	a.record.observe(o)
	a.desk.reading(o)
}

// deliver hands an observation to its station.
func (a *assembly) deliver(o bench.Observation) bool {
	p := a.setup.Load().byID[o.Station]
	return p != nil && p.station.Put(o)
}

// mark hands a person's mark to a station.
func (a *assembly) mark(id string, m bench.Mark) bool {
	return a.deliver(bench.Observation{At: a.now(), Station: id, Fact: m})
}

// snapshots are in the order of the configuration.
func (a *assembly) snapshots() []bench.Snapshot {
	places := a.setup.Load().places
	out := make([]bench.Snapshot, len(places))
	for i, p := range places {
		out[i] = p.station.Snapshot()
	}
	return out
}

func (a *assembly) isReady() error {
	if !a.ready.Load() {
		return errors.New("still starting")
	}
	return nil
}
