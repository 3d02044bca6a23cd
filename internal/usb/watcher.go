package usb

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
)

// ErrOverrun is what a Receiver returns, once, when messages were lost because
// nobody took them in time. Receiving goes on.
var ErrOverrun = errors.New("uevents were lost: the socket was full")

// Receiver is where uevents come from. Receive waits for the next one and
// returns early when ctx ends; ErrOverrun and ErrMalformed (wrapped) are not
// the end, any other error is. Only one goroutine receives.
type Receiver interface {
	Receive(ctx context.Context) (Uevent, error)
	Close() error
}

// Options of a Watcher. Ports is required, everything else has a default.
type Options struct {
	Sysfs fs.FS             // the tree that holds bus/usb/devices; default /sys
	Ports map[string]string // port path → station, the ports to watch

	// Listen opens the source of uevents: ListenKernel, or a simulated bus.
	// Where it is nil or refused, and for as long, sysfs is polled.
	Listen func() (Receiver, error)

	// Scan lists all devices by another way (ChildScan), nil for none. It must
	// return when its context ends.
	Scan func(ctx context.Context) ([]Device, error)

	Way Way // BySysfs, or ByScans, which needs Scan; see Choose

	Rescan    time.Duration // between looks at the whole bus; default 3 s
	Traffic   time.Duration // between traffic counts; default 1 s
	Poll      time.Duration // between looks without uevents, and before a second look; default 100 ms
	ScanEvery time.Duration // between scans; default 60 s

	Now    func() time.Time // stamps observations; default time.Now
	Logger *zap.Logger      // default none
}

func (o Options) validate() error {
	if len(o.Ports) == 0 {
		return errors.New("no port to watch")
	}
	for port, station := range o.Ports {
		if !ValidPort(port) {
			return fmt.Errorf("%q is not a port path: write bus and chain of ports, like 1-2.3", port)
		}
		if station == "" {
			return fmt.Errorf("port %s belongs to no station", port)
		}
	}
	if o.Way == ByScans && o.Scan == nil {
		return errors.New("without sysfs the watch needs scans, and they are switched off")
	}
	if min(o.Rescan, o.Traffic, o.Poll, o.ScanEvery) < 0 {
		return errors.New("an interval is negative")
	}
	return nil
}

func (o Options) withDefaults() Options {
	if o.Sysfs == nil {
		o.Sysfs = os.DirFS("/sys")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	o.Ports = maps.Clone(o.Ports)
	o.Rescan = cmp.Or(o.Rescan, 3*time.Second)
	o.Traffic = cmp.Or(o.Traffic, time.Second)
	o.Poll = cmp.Or(o.Poll, 100*time.Millisecond)
	o.ScanEvery = cmp.Or(o.ScanEvery, time.Minute)
	return o
}

// Watcher watches ports. Create it with New, run it once with Run.
type Watcher struct {
	opts     Options
	log      *zap.Logger
	book     *book
	rescans  atomic.Uint64
	disagree atomic.Uint64
	known    Told // what stations know already
	told     Told // at the end of Run
}

// New checks the options and makes a watcher that does nothing yet.
func New(opts Options) (*Watcher, error) {
	if err := opts.validate(); err != nil {
		return nil, fmt.Errorf("watch USB: %w", err)
	}
	opts = opts.withDefaults()
	return &Watcher{opts: opts, log: opts.Logger, book: newBook(opts.Ports)}, nil
}

// String names the source in logs.
func (w *Watcher) String() string { return fmt.Sprintf("usb (%d ports)", len(w.opts.Ports)) }

// Counts returns the totals so far. It may be called at any time.
func (w *Watcher) Counts() bench.SourceCounts {
	uevents, lost := w.book.totals()
	return bench.SourceCounts{
		Uevents:     uevents,
		LostUevents: lost,
		Rescans:     w.rescans.Load(),
		Disagree:    w.disagree.Load(),
	}
}

// Run watches until ctx ends and then returns nil; nothing that happens on the
// bus ends it. All calls of emit come from one goroutine. emit must not block;
// when it returns false the port is looked at again and told then.
//
// For each port that was not taken over it says at once what stands there: an add,
// or a remove for an empty port. A read that hangs in the kernel is left behind when Run returns.
func (w *Watcher) Run(ctx context.Context, emit func(bench.Observation) bool) error {
	var wg sync.WaitGroup
	defer wg.Wait()
	l := newLoop(w, emit, &wg)
	defer func() { w.told = l.allTold() }()
	if w.opts.Way == ByScans {
		l.runScans(ctx)
		return nil
	}
	if w.opts.Listen != nil {
		wg.Go(func() { w.listen(ctx) })
	}
	l.run(ctx)
	return nil
}
