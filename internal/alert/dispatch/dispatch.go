package dispatch

import (
	"cmp"
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/alert"
	"benchvigil/internal/logkey"
)

// Entry is a row of the outbox: a message on its way to one outlet.
type Entry struct {
	Key      string // of the message
	Station  string
	Outlet   string
	Body     string // an encoded alert.Message
	Raised   time.Time
	Due      time.Time // when it is to be sent, or sent again
	Attempts int
}

// Store is the outbox. Due gives what is neither sent nor given up and due by a
// moment, the longest due first. The others may be called more than once for the
// same key, and by any goroutine.
type Store interface {
	Due(ctx context.Context, by time.Time, limit int) ([]Entry, error)
	Sent(ctx context.Context, key string, at time.Time) error
	Failed(ctx context.Context, key string, again time.Time, why string) error
	GiveUp(ctx context.Context, key string, at time.Time, why string) error
}

// Outlet delivers. It must return when its context is done. An error is to be
// tried again unless it is alert.Permanent; alert.Later says when. Errors hold no
// secrets: they are logged, stored and shown.
type Outlet interface {
	Deliver(ctx context.Context, m *alert.Message) error
	String() string
}

// Limits of one outlet; the zero value has the defaults.
type Limits struct {
	Rate     float64       // messages a second in the long run; 0: 1
	Burst    int           // messages at once; 0: 20
	Timeout  time.Duration // to answer; 0: 10 s
	Parallel int           // messages on their way at the same time; 0: 2
	Longest  time.Duration // between two tries; 0: 30 s
	Pause    time.Duration // that the outlet may ask for; 0: 5 min
	Verbatim bool          // every message is sent: a program listens
}

func (l Limits) filled() Limits {
	l.Rate = cmp.Or(l.Rate, 1)
	l.Burst = cmp.Or(l.Burst, 20)
	l.Timeout = cmp.Or(l.Timeout, 10*time.Second)
	l.Parallel = cmp.Or(l.Parallel, 2)
	l.Longest = cmp.Or(l.Longest, 30*time.Second)
	l.Pause = cmp.Or(l.Pause, 5*time.Minute)
	return l
}

// Options of a Dispatcher. Only Store is needed.
type Options struct {
	Store   Store
	Outlets map[string]Outlet // by the name that entries have
	Limits  map[string]Limits // by the same
	// Trouble is told that an outlet does not deliver, since when and why, and
	// with a nil error that it does again. It may call Hand, and must not block.
	Trouble  func(outlet string, since time.Time, err error)
	Patience time.Duration    // how long an outlet may fail before that; 0: 15 s
	Stale    time.Duration    // after which waiting messages are folded; 0: 1 min
	Few      int              // alerts that came and went unheard and still get a message each; 0: 5
	Queue    int              // messages held for one outlet; 0: 4096
	Every    time.Duration    // how often the store is looked at besides; 0: 1 min
	Now      func() time.Time // the wall clock; nil: time.Now
	Rand     func() float64   // in [0, 1); nil: rand.Float64
	Logger   *zap.Logger
}

func (o *Options) fill() {
	o.Patience = cmp.Or(o.Patience, 15*time.Second)
	o.Stale = cmp.Or(o.Stale, time.Minute)
	o.Few = cmp.Or(o.Few, 5)
	o.Queue = cmp.Or(o.Queue, 4096)
	o.Every = cmp.Or(o.Every, time.Minute)
	if o.Trouble == nil {
		o.Trouble = func(string, time.Time, error) {}
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Rand == nil {
		o.Rand = rand.Float64
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
}

const (
	// grace is how long the end waits for outlets that do not heed their context,
	// and then for the store.
	grace = 2 * time.Second
	// storing bounds one call of the store.
	storing = 10 * time.Second
	// pageFirst and pageMost are how many entries are asked for at first and at
	// most: what is due for an outlet that is down must not hide what is due for
	// another.
	pageFirst, pageMost = 1024, 16384
	// ahead is how far ahead the store is looked at: everything that is unsent,
	// whatever the clock was when it was put off.
	ahead = 100 * 365 * 24 * time.Hour
	// blindFor is how long until a store that cannot be read is tried again.
	blindFor = 5 * time.Second
	// keptFor is how old messages of an outlet that is not configured get, and
	// missedFor how long it must have been missing then.
	keptFor   = 24 * time.Hour
	missedFor = time.Hour
)

// Dispatcher takes messages to outlets. Any goroutine may use it.
type Dispatcher struct {
	o     Options
	notes *notes
	wake  chan struct{} // the store is to be looked at

	mu    sync.RWMutex
	lanes map[string]*lane // never removed: one whose outlet is gone sleeps
	begin func(*lane)      // starts a worker; nil before Run
	blind bool             // the store could not be read the last time

	missing map[string]time.Time // outlets that entries name and nobody configured, since when; of the looking goroutine
}

// New makes a Dispatcher. It panics without a Store.
func New(o Options) *Dispatcher {
	if o.Store == nil {
		panic("dispatch: a Store is needed")
	}
	o.fill()
	d := &Dispatcher{o: o, wake: make(chan struct{}, 1), lanes: map[string]*lane{}, missing: map[string]time.Time{}}
	d.notes = newNotes(o.Store, o.Logger)
	d.Replace(o.Outlets, o.Limits)
	return d
}

// Run delivers until the context is done. It waits for no queue to empty then:
// what is left is in the store.
func (d *Dispatcher) Run(ctx context.Context) error {
	noting, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	var notes, workers sync.WaitGroup
	notes.Go(func() { d.notes.run(noting) })
	d.startLanes(ctx, &workers)
	d.lookAround(ctx)

	workers.Wait()
	for _, l := range d.all() {
		workers.Go(func() { l.settle(grace) })
	}
	workers.Wait()
	stop()
	notes.Wait()
	return nil
}

func (d *Dispatcher) startLanes(ctx context.Context, workers *sync.WaitGroup) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.begin = func(l *lane) { workers.Go(func() { l.run(ctx) }) }
	for _, l := range d.lanes {
		d.begin(l)
	}
}

// lookAround looks at the store at the start, from time to time, and when a queue
// has room for what it had to leave there. No worker is started after it.
func (d *Dispatcher) lookAround(ctx context.Context) {
	tick := time.NewTicker(d.o.Every)
	defer tick.Stop()
	for {
		var soon <-chan time.Time
		if !d.look(ctx) {
			soon = time.After(blindFor)
		}
		select {
		case <-ctx.Done():
			d.mu.Lock()
			d.begin = func(*lane) {}
			d.mu.Unlock()
			return
		case <-soon:
		case <-tick.C:
		case <-d.wake:
		}
	}
}

// look reads the store and hands out what it has. It reports whether it could.
func (d *Dispatcher) look(ctx context.Context) bool {
	lanes := d.all()
	for _, l := range lanes {
		l.beginLook()
	}
	entries, err := d.read(ctx)
	d.reportBlind(ctx, err)
	if err != nil {
		return false
	}
	parts := byOutlet(entries)
	for _, l := range lanes {
		if l.endLook(parts[l.name]) {
			delete(parts, l.name)
			delete(d.missing, l.name)
		}
	}
	for outlet, orphans := range parts {
		d.orphans(outlet, orphans)
	}
	return true
}

// read reads all that is unsent, in the order in which it was raised.
func (d *Dispatcher) read(ctx context.Context) ([]Entry, error) {
	ctx, cancel := context.WithTimeout(ctx, storing)
	defer cancel()
	for limit := pageFirst; ; limit *= 4 {
		entries, err := d.o.Store.Due(ctx, d.o.Now().Add(ahead), limit)
		if err != nil {
			return nil, err
		}
		if len(entries) < limit || limit >= pageMost {
			slices.SortStableFunc(entries, func(a, b Entry) int { return a.Raised.Compare(b.Raised) })
			return entries, nil
		}
	}
}

// reportBlind logs the first failure to read the store, and the end of it.
func (d *Dispatcher) reportBlind(ctx context.Context, err error) {
	d.mu.Lock()
	was := d.blind
	d.blind = err != nil
	d.mu.Unlock()
	switch {
	case err != nil && !was && ctx.Err() == nil:
		d.o.Logger.Error("outbox cannot be read", logkey.Err(err))
	case err == nil && was:
		d.o.Logger.Info("outbox is read again")
	}
}

// orphans gives up what is old and has no outlet, once that has been so for a
// while: an outlet that is put back may still send it.
func (d *Dispatcher) orphans(outlet string, entries []Entry) {
	if _, ok := d.missing[outlet]; !ok {
		d.missing[outlet] = time.Now()
	}
	if time.Since(d.missing[outlet]) < missedFor {
		return
	}
	now := d.o.Now()
	for _, e := range entries {
		if now.Sub(e.Raised) > keptFor {
			d.o.Logger.Warn("alert given up", logkey.Outlet(outlet), logkey.Key(e.Key), logkey.Err(errGone))
			d.notes.add(note{kind: givenUp, key: e.Key, at: now, why: errGone.Error()})
		}
	}
}

var errGone = errors.New("the outlet is not configured any more")

// Hand takes entries that were just committed. It never blocks; what there is no
// room for is read from the store later.
func (d *Dispatcher) Hand(entries []Entry) { d.take(entries, true) }

// Parted takes entries that the store cannot be given: they are sent from memory,
// and not noted.
func (d *Dispatcher) Parted(entries []Entry) { d.take(entries, false) }

func (d *Dispatcher) take(entries []Entry, stored bool) {
	for outlet, of := range byOutlet(entries) {
		d.mu.RLock()
		l := d.lanes[outlet]
		d.mu.RUnlock()
		if l != nil {
			l.hand(of, stored)
		}
	}
}

func byOutlet(entries []Entry) map[string][]Entry {
	out := map[string][]Entry{}
	for _, e := range entries {
		out[e.Outlet] = append(out[e.Outlet], e)
	}
	return out
}

// Replace puts other outlets in the place of those there are. One of the same name
// takes over the queue of its predecessor, and is tried at once; what is on its way
// arrives. What waits for a name that is gone stays in the store.
func (d *Dispatcher) Replace(outlets map[string]Outlet, limits map[string]Limits) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for name, l := range d.lanes {
		if outlets[name] == nil {
			l.replace(nil, Limits{})
		}
	}
	for name, out := range outlets {
		l := d.lanes[name]
		if l == nil {
			l = newLane(name, d)
			d.lanes[name] = l
			if d.begin != nil {
				d.begin(l)
			}
		}
		l.replace(out, limits[name].filled())
	}
	d.askLook()
}

// askLook has the store looked at soon.
func (d *Dispatcher) askLook() {
	select {
	case d.wake <- struct{}{}:
	default:
	}
}

func (d *Dispatcher) all() (out []*lane) {
	d.mu.RLock()
	defer d.mu.RUnlock()
	for _, l := range d.lanes {
		out = append(out, l)
	}
	return out
}

// OutletStatus is how an outlet does. Counts are since the start.
type OutletStatus struct {
	Outlet       string    // its name
	To           string    // what it says of itself
	Queue        int       // messages waiting, those folded into them not counted
	OnTheWay     int       // messages being delivered
	Spilled      bool      // more are in the store
	FailingSince time.Time // zero while it delivers
	LastError    string    // of the last failure, however long ago
	LastSent     time.Time
	Sent         uint64 // messages delivered
	Folded       uint64 // messages told by another one
	Failed       uint64 // tries
	GivenUp      uint64 // messages refused for good
	Dropped      uint64 // messages lost: there was neither room nor a store
}

// Status tells how the configured outlets do, by name.
func (d *Dispatcher) Status() (out []OutletStatus) {
	for _, l := range d.all() {
		if s, ok := l.status(); ok {
			out = append(out, s)
		}
	}
	slices.SortFunc(out, func(a, b OutletStatus) int { return cmp.Compare(a.Outlet, b.Outlet) })
	return out
}
