package usb

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"sync"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
)

// maxDrift is by how much wall and monotonic clock may come apart between two
// traffic counts before the bus is looked at again: the computer slept, or
// somebody set the clock.
const maxDrift = time.Second

// loop is a run of a watcher. One goroutine owns it.
type loop struct {
	w      *Watcher
	emit   func(bench.Observation) bool
	tree   sysfs
	wg     *sync.WaitGroup
	ports  []*port
	byPath map[string]*port

	trouble string    // why nothing can be seen, or empty
	counted time.Time // when traffic was counted last, by the system's clock
	silence silence
	details chan detail
	check   check
}

func newLoop(w *Watcher, emit func(bench.Observation) bool, wg *sync.WaitGroup) *loop {
	l := &loop{w: w, emit: emit, tree: sysfs{w.opts.Sysfs}, wg: wg, byPath: map[string]*port{}}
	for _, path := range slices.Sorted(maps.Keys(w.opts.Ports)) {
		p := &port{path: path, station: w.opts.Ports[path], restate: true}
		p.takeOver(w.known)
		l.ports = append(l.ports, p)
		l.byPath[path] = p
	}
	l.details = make(chan detail, len(l.ports)) // one a port: sending never blocks
	l.check = newCheck(w.opts.ScanEvery)
	return l
}

func (l *loop) run(ctx context.Context) {
	beat := time.NewTicker(l.w.opts.Poll)
	defer beat.Stop()
	rescan := time.NewTicker(l.w.opts.Rescan)
	defer rescan.Stop()
	traffic := time.NewTicker(l.w.opts.Traffic)
	defer traffic.Stop()
	defer l.check.timer.Stop()
	l.counted = time.Now()
	l.rescan(false)
	for {
		select {
		case <-ctx.Done():
			return
		case <-l.w.book.wake:
			l.pass(false, true)
		case <-beat.C:
			l.beat()
		case <-rescan.C:
			l.w.book.settle()
			l.rescan(true)
		case <-traffic.C:
			l.traffic()
		case d := <-l.details:
			l.detailed(d)
		case <-l.check.timer.C:
			l.scan(ctx)
		case s := <-l.check.done:
			l.compare(s)
		}
	}
}

// beat does what waits for a moment: looks after a loss, polls, second looks.
func (l *loop) beat() {
	if l.w.book.takeStale() {
		l.rescan(false)
	} else {
		l.pass(l.polling(), true)
	}
	if l.w.book.takeOverran() {
		l.check.soon()
	}
	l.lateness()
}

func (l *loop) rescan(announced bool) {
	l.w.rescans.Add(1)
	l.pass(true, announced)
}

// pass looks at all ports, or at those that uevents hint at or that are owed
// another look, and tells what is new. While nothing can be seen it looks at
// all, so that sight is back soon. announced says that a change must have come
// with a uevent.
func (l *loop) pass(all, announced bool) {
	l.w.book.take(func(path string, h hint) {
		p := l.byPath[path]
		p.hint, p.again = p.hint.then(h), true
	})
	was := l.trouble
	ports := l.due(all || was != "")
	if len(ports) == 0 {
		return
	}
	l.look(ports)
	// An empty port means nothing where the whole tree is gone, so that is
	// asked after the looks; when the tree is back, the looks came too early.
	l.watchTree()
	switch {
	case l.trouble != "":
		ports = l.ports
	case was != "":
		l.look(ports)
	}
	now := l.w.opts.Now()
	for _, p := range ports {
		if l.trouble != "" || p.sure {
			p.again = !l.settle(p, now, announced)
		}
	}
}

// due lists the ports to look at.
func (l *loop) due(all bool) (ports []*port) {
	if all {
		return l.ports
	}
	for _, p := range l.ports {
		if p.again {
			ports = append(ports, p)
		}
	}
	return ports
}

// look looks at ports; those that do not tell are looked at again.
func (l *loop) look(ports []*port) {
	now := time.Now()
	for _, p := range ports {
		seen, err := l.tree.look(p.path)
		p.sure = p.judge(seen, err, now)
		p.again = p.again || !p.sure
	}
}

// watchTree finds out whether anything can be seen, and says when that changes.
func (l *loop) watchTree() {
	err, trouble := l.tree.sight(), ""
	if err != nil {
		trouble = err.Error()
	}
	switch {
	case trouble == l.trouble:
	case err != nil:
		l.w.log.Warn("USB cannot be seen", logkey.Source(l.w.String()), logkey.Err(err))
	default:
		l.w.log.Info("USB can be seen again", logkey.Source(l.w.String()))
	}
	l.trouble = trouble
}

// settle tells a station what it does not know yet, and reports whether it now
// knows everything. What is refused stays owed, with its time.
func (l *loop) settle(p *port, now time.Time, announced bool) bool {
	if !l.tellStanding(p, now, announced) {
		return false
	}
	return p.lost || l.tellDetails(p, now)
}

// tellStanding tells what stands on a port, or that it cannot be seen.
func (l *loop) tellStanding(p *port, now time.Time, announced bool) bool {
	trouble := cmp.Or(l.trouble, p.trouble)
	if !l.tellSight(p, trouble, now) {
		return false
	}
	if trouble != "" {
		return true
	}
	list := changes(p.told, p.seen, p.restate, p.hint, now)
	if len(list) > 0 && p.hint == (hint{}) {
		p.hint.note("look", now) // the time of a change stays when it is refused
		if announced && !p.restate {
			l.unannounced()
		}
	}
	for _, c := range list {
		c.usb.Port = p.path
		if !l.tell(p, c.at, c.usb) {
			return false
		}
		p.told, p.restate = c.knows, false
		p.details.forget(c.knows.present)
	}
	p.hint = hint{}
	return true
}

// tellSight says that a port cannot be seen, or that it can again; then what
// stands there is said anew.
func (l *loop) tellSight(p *port, trouble string, now time.Time) bool {
	if p.lost == (trouble != "") {
		return true
	}
	news := bench.USBSource{Change: bench.Back}
	if trouble != "" {
		news = bench.USBSource{Change: bench.Lost, Error: trouble}
	}
	if !l.tell(p, now, news) {
		return false
	}
	p.lost, p.restate, p.hint = !p.lost, true, hint{}
	return true
}

func (l *loop) tell(p *port, at time.Time, fact bench.Fact) bool {
	return l.emit(bench.Observation{At: at, Station: p.station, Fact: fact})
}

// traffic counts URBs. A count that is not of the device that the station
// knows of is left out; the port is looked at instead.
func (l *loop) traffic() {
	l.jumped()
	for _, p := range l.ports {
		if !p.told.present || p.lost {
			continue
		}
		n, devnum, err := l.tree.urbs(p.path)
		if err != nil || devnum != p.told.devnum || !l.tell(p, l.w.opts.Now(), bench.Traffic{URBs: n}) {
			p.again = true
		}
	}
}

// jumped asks for a look at everything when time jumped.
func (l *loop) jumped() {
	now := time.Now()
	if apart(now.Round(0).Sub(l.counted.Round(0)), now.Sub(l.counted)) {
		l.rescan(false)
	}
	l.counted = now
}

// apart compares how long something took by the wall and by the monotonic
// clock.
func apart(wall, monotonic time.Duration) bool { return (wall - monotonic).Abs() > maxDrift }
