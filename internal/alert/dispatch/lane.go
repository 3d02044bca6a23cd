package dispatch

import (
	"cmp"
	"context"
	"fmt"
	"runtime/debug"
	"slices"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"benchvigil/internal/alert"
	"benchvigil/internal/logkey"
)

const (
	// overdue is how long after its time an outlet is taken to heed no context.
	overdue = time.Second
	// mostStuck is how many deliveries that never came back are worked around.
	mostStuck = 3
	// remembered is how many keys, and ends of alerts, are remembered: what a look
	// at the store may find unsent and was sent while it looked.
	remembered = pageMost
	// never is a wait that only something new ends.
	never = time.Hour
)

// lane is one outlet with its queue and its worker.
type lane struct {
	name  string
	d     *Dispatcher
	wake  chan struct{}
	going sync.WaitGroup // deliveries

	mu      sync.Mutex
	out     Outlet // nil: it sleeps
	limits  Limits
	limiter *rate.Limiter
	queue   []*item // waiting, in the order in which they came
	busy    map[thread]*item
	stuck   map[*item]bool // of those busy, the ones that ought to have come back
	held    map[string]held
	told    *memory // keys that are done: true if the store need not hear of them
	ended   *memory // alerts, by receiver, whose end was told
	seq     uint64

	spilled bool // more is in the store: nothing may overtake it
	left    bool // something was left to the store since the last look began

	failures int       // tries in a row
	again    time.Time // no try before, by the monotonic clock
	trouble  trouble
	said     time.Time    // since when there is the trouble that was told; zero: none was
	counts   OutletStatus // what is counted of it
}

// held is a message in memory: waiting, on its way, or riding.
type held struct {
	it    *item
	rider int // index in its rides; -1: it is the item's own
}

// trouble is an outlet that does not deliver; its zero value is none.
type trouble struct {
	since  time.Time // by the monotonic clock
	wall   time.Time // the same, for people
	err    error     // the last
	atOnce bool      // it is not to be waited for Patience
}

func newLane(name string, d *Dispatcher) *lane {
	return &lane{
		name: name, d: d, wake: make(chan struct{}, 1),
		busy: map[thread]*item{}, stuck: map[*item]bool{}, held: map[string]held{},
		told: newMemory(remembered), ended: newMemory(remembered),
	}
}

// run delivers until the context is done.
func (l *lane) run(ctx context.Context) {
	timer := time.NewTimer(never)
	defer timer.Stop()
	for {
		timer.Reset(l.step(ctx))
		l.sayTrouble()
		select {
		case <-ctx.Done():
			return
		case <-l.wake:
		case <-timer.C:
		}
	}
}

// settle waits for what is on its way, for a while.
func (l *lane) settle(most time.Duration) {
	done := make(chan struct{})
	go func() {
		l.going.Wait()
		close(done)
	}()
	select {
	case <-done:
	case <-time.After(most):
		l.d.o.Logger.Error("outlet does not stop", logkey.Outlet(l.name))
	}
}

func (l *lane) poke() {
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

// replace puts an outlet, or none, into the lane.
func (l *lane) replace(out Outlet, limits Limits) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.out, l.limits = out, limits
	l.failures, l.again = 0, time.Time{}
	if out == nil {
		l.emptyLocked()
	} else if l.limiter == nil {
		l.limiter = rate.NewLimiter(rate.Limit(limits.Rate), limits.Burst)
	} else {
		l.limiter.SetLimit(rate.Limit(limits.Rate))
		l.limiter.SetBurst(limits.Burst)
	}
	for _, it := range l.queue {
		if it.tries > 0 {
			it.again = time.Time{}
		}
	}
	l.poke()
}

// emptyLocked lets go of what waits, since the outlet is gone: the store has it,
// or nobody.
func (l *lane) emptyLocked() {
	for _, it := range l.queue {
		if !it.stored {
			l.dropLocked(it.key)
		}
		l.releaseLocked(it)
	}
	l.queue, l.spilled, l.trouble = nil, false, trouble{}
}

func (l *lane) dropLocked(key string) {
	l.counts.Dropped++
	l.d.o.Logger.Error("alert lost: there is neither room nor a store for it", logkey.Outlet(l.name), logkey.Key(key))
}

// hand takes entries from outside.
func (l *lane) hand(entries []Entry, stored bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, e := range entries {
		if stored && l.spilled && !l.knownLocked(e.Key) {
			l.left = true
			continue
		}
		l.admitLocked(e, stored)
	}
	l.poke()
}

func (l *lane) knownLocked(key string) bool {
	_, waits := l.held[key]
	_, done := l.told.get(key)
	return waits || done
}

func (l *lane) beginLook() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.left = false
}

// endLook takes what a look found, unless it sleeps. What came meanwhile and was
// left to the store may not be in it: the store is looked at again then.
func (l *lane) endLook(entries []Entry) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.out == nil {
		return false
	}
	left := l.left
	l.spilled, l.left = false, false
	for _, e := range entries {
		l.admitLocked(e, true)
	}
	if left && !l.spilled {
		l.spilled = true
		l.d.askLook()
	}
	l.poke()
	return true
}

// admitLocked takes an entry unless it is here already, or was.
func (l *lane) admitLocked(e Entry, stored bool) {
	if l.out == nil {
		if !stored {
			l.dropLocked(e.Key)
		}
		return
	}
	if noted, done := l.told.get(e.Key); done {
		if stored && !noted { // it went out while the store could not be written
			l.told.put(e.Key, true)
			l.d.notes.add(note{kind: sent, key: e.Key, at: l.d.o.Now()})
		}
		return
	}
	if l.d.notes.settled(e.Key) {
		return
	}
	if h, ok := l.held[e.Key]; ok {
		h.store(stored)
		return
	}
	if len(l.held) >= l.d.o.Queue && !l.roomLocked(e, stored) {
		return
	}
	m, err := alert.Decode(e.Body)
	if err != nil {
		l.unreadableLocked(e, stored, err)
		return
	}
	l.queueLocked(e, m, stored)
}

// roomLocked makes room for an entry that no store has, by leaving to the store
// what weighs least of what it has. Others are left to the store themselves.
func (l *lane) roomLocked(e Entry, stored bool) bool {
	if stored {
		l.spilled = true
		return false
	}
	var least *item
	for _, it := range l.queue {
		if it.stored && len(it.rides) == 0 && (least == nil || it.weight >= least.weight) {
			least = it
		}
	}
	if least == nil {
		l.dropLocked(e.Key)
		return false
	}
	l.takeOutLocked(least)
	l.releaseLocked(least)
	l.spilled = true
	return true
}

// store says that the store has it after all.
func (h held) store(stored bool) {
	switch {
	case !stored:
	case h.rider < 0:
		h.it.stored = true
	default:
		h.it.rides[h.rider].stored = true
	}
}

// unreadableLocked gives up an entry that is no message.
func (l *lane) unreadableLocked(e Entry, stored bool, err error) {
	l.counts.GivenUp++
	l.d.o.Logger.Error("alert given up", logkey.Outlet(l.name), logkey.Key(e.Key), logkey.Err(err))
	l.told.put(e.Key, true)
	if stored {
		l.d.notes.add(note{kind: givenUp, key: e.Key, at: l.d.o.Now(), why: err.Error()})
	}
	l.failingLocked(time.Now(), err, true)
}

func (l *lane) queueLocked(e Entry, m alert.Message, stored bool) {
	now, wall := time.Now(), l.d.o.Now()
	m.Key = e.Key
	m.Parted = m.Parted || !stored
	l.seq++
	it := &item{
		seq: l.seq, key: e.Key, m: m, stored: stored, tries: e.Attempts, weight: weigh(&m),
		untold: m.Deed == alert.Raised || m.Deed == alert.Escalated,
		since:  now.Add(-waited(e, wall)),
	}
	if wait := left(e, wall, l.limits.Longest); wait > 0 {
		it.again = now.Add(wait)
	}
	l.queue = append(l.queue, it)
	l.held[e.Key] = held{it, -1}
}

// releaseLocked lets go of an item and what rides on it.
func (l *lane) releaseLocked(it *item) {
	delete(l.held, it.key)
	for _, r := range it.rides {
		delete(l.held, r.key)
	}
}

// step sends all that may go now, and says how long until something else may.
func (l *lane) step(ctx context.Context) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := time.Now()
	wait := l.patienceLocked(now)
	if l.out == nil || ctx.Err() != nil {
		return wait
	}
	l.foldLocked(now)
	for {
		it, until := l.nextLocked(now)
		if it == nil {
			return min(wait, until)
		}
		l.takeOutLocked(it)
		if l.overtakenLocked(it) {
			l.tellLocked(it)
			continue
		}
		l.startLocked(ctx, it)
	}
}

// patienceLocked is how long until a failure is worth telling.
func (l *lane) patienceLocked(now time.Time) time.Duration {
	if l.trouble.wall.IsZero() || !l.said.IsZero() {
		return never
	}
	return max(l.trouble.since.Add(l.d.o.Patience).Sub(now), 0)
}

// foldLocked folds, and says of every message that rides where it is now.
func (l *lane) foldLocked(now time.Time) {
	if l.limits.Verbatim {
		return
	}
	before := len(l.queue)
	l.queue = fold(l.queue, now, l.d.o.Stale, l.d.o.Few)
	if len(l.queue) == before {
		return
	}
	for _, it := range l.queue {
		for i, r := range it.rides {
			l.held[r.key] = held{it, i}
		}
	}
}

// nextLocked chooses what goes now, or says how long until something may.
func (l *lane) nextLocked(now time.Time) (*item, time.Duration) {
	slots := l.limits.Parallel
	if l.failures > 0 {
		slots = 1 // one try at a time, until one succeeds
	}
	if len(l.queue) == 0 || len(l.busy)-len(l.stuck) >= slots || len(l.stuck) > mostStuck {
		return nil, never
	}
	if l.again.After(now) {
		return nil, l.again.Sub(now)
	}
	it, at := pick(l.queue, l.busy, now, l.failures > 0)
	if it == nil {
		if at.IsZero() {
			return nil, never
		}
		return nil, at.Sub(now)
	}
	r := l.limiter.ReserveN(now, 1)
	if wait := r.DelayFrom(now); wait > 0 {
		r.CancelAt(now)
		return nil, wait
	}
	return it, 0
}

func (l *lane) takeOutLocked(it *item) {
	if i := slices.Index(l.queue, it); i >= 0 {
		l.queue = slices.Delete(l.queue, i, i+1)
	}
}

// overtakenLocked reports a message of an alert whose end was told: it came late,
// and would say that the alert stands.
func (l *lane) overtakenLocked(it *item) bool {
	_, ended := l.ended.get(it.m.Alert.Key + " " + it.m.To)
	return ended && !it.over()
}

// startLocked sends a message on its way.
func (l *lane) startLocked(ctx context.Context, it *item) {
	l.busy[it.thread()] = it
	out, timeout, m := l.out, l.limits.Timeout, it.m
	began := time.Now()
	late := time.AfterFunc(timeout+overdue, func() { l.late(it, began) })
	l.going.Go(func() {
		err := l.deliver(ctx, out, &m, timeout)
		late.Stop()
		l.finish(ctx, it, began, err)
		l.poke()
	})
}

// deliver keeps an outlet's panic from ending the watch.
func (l *lane) deliver(ctx context.Context, out Outlet, m *alert.Message, timeout time.Duration) (err error) {
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	defer func() {
		if p := recover(); p != nil {
			l.d.o.Logger.Error("outlet panicked", logkey.Outlet(l.name), logkey.Err(fmt.Errorf("%v\n%s", p, debug.Stack())))
			err = alert.Permanent(fmt.Errorf("the outlet failed on this message: %v", p))
		}
	}()
	return out.Deliver(ctx, m)
}

// late takes an outlet that did not come back in time. The message stays on its
// way, since nobody knows where it is; others go past it.
func (l *lane) late(it *item, began time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.stuck[it] = true
	l.counts.Failed++
	l.failures++
	l.againLocked(time.Now(), 0)
	l.failingLocked(began, fmt.Errorf("no answer within %v", l.limits.Timeout), false)
	l.poke()
}

// finish takes what came of a delivery.
func (l *lane) finish(ctx context.Context, it *item, began time.Time, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	counted := l.stuck[it] // late did
	delete(l.busy, it.thread())
	delete(l.stuck, it)
	switch {
	case err == nil:
		l.counts.Sent++
		l.counts.LastSent = l.d.o.Now()
		l.healLocked()
		l.tellLocked(it)
	case ctx.Err() != nil: // it is in the store
		l.releaseLocked(it)
	case alert.IsPermanent(err):
		l.giveUpLocked(it, began, err)
	default:
		l.failLocked(it, began, err, counted)
	}
	if l.spilled && len(l.held) <= l.d.o.Queue/2 {
		l.d.askLook()
	}
}

// tellLocked notes a message, and before it those that it told too.
func (l *lane) tellLocked(it *item) {
	l.releaseLocked(it)
	l.counts.Folded += uint64(len(it.rides))
	now := l.d.o.Now()
	var done []note
	for _, r := range append(it.rides, it.asRider()) {
		l.told.put(r.key, r.stored)
		if r.stored {
			done = append(done, note{kind: sent, key: r.key, at: now, last: r.key == it.key})
		}
		if r.ended {
			l.ended.put(r.alert+" "+it.m.To, true)
		}
	}
	l.d.notes.add(done...)
}

// giveUpLocked lets go of a message that the outlet refuses for good, and of those
// that it would have told.
func (l *lane) giveUpLocked(it *item, began time.Time, err error) {
	l.releaseLocked(it)
	l.failures, l.again = 0, time.Time{} // it answers
	now := l.d.o.Now()
	var done []note
	for _, r := range append(it.rides, it.asRider()) {
		l.counts.GivenUp++
		l.told.put(r.key, true)
		if r.stored {
			done = append(done, note{kind: givenUp, key: r.key, at: now, why: err.Error()})
		}
	}
	l.d.notes.add(done...)
	l.d.o.Logger.Error("alert given up", logkey.Outlet(l.name), logkey.Key(it.key), logkey.Err(err))
	l.failingLocked(began, err, true)
}

// failLocked puts a message back, to be tried again.
func (l *lane) failLocked(it *item, began time.Time, err error, counted bool) {
	now := time.Now()
	it.tries++
	if !counted {
		l.failures++
		l.counts.Failed++
	}
	pause := min(alert.Wait(err), l.limits.Pause)
	wait := pause
	if pause == 0 {
		wait = backoff(it.tries, l.limits.Longest, l.d.o.Rand())
	}
	it.again = now.Add(wait)
	l.againLocked(now, pause)
	if l.out == nil {
		l.releaseLocked(it)
	} else {
		l.backLocked(it)
	}
	if it.stored {
		l.d.notes.add(note{kind: failed, key: it.key, at: l.d.o.Now().Add(wait), why: err.Error()})
	}
	l.failingLocked(began, err, false)
}

// againLocked says when the outlet is tried again: when it asked for, or by its
// failures in a row.
func (l *lane) againLocked(now time.Time, pause time.Duration) {
	if pause == 0 {
		pause = backoff(l.failures, l.limits.Longest, l.d.o.Rand())
	}
	if at := now.Add(pause); at.After(l.again) {
		l.again = at
	}
}

// backLocked puts an item where it was in the queue.
func (l *lane) backLocked(it *item) {
	i, _ := slices.BinarySearchFunc(l.queue, it.seq, func(o *item, seq uint64) int { return cmp.Compare(o.seq, seq) })
	l.queue = slices.Insert(l.queue, i, it)
}

// failingLocked remembers since when the outlet has been failing.
func (l *lane) failingLocked(began time.Time, err error, atOnce bool) {
	l.counts.LastError = err.Error()
	if l.trouble.wall.IsZero() {
		l.trouble = trouble{since: began, wall: l.d.o.Now().Add(-time.Since(began))}
		l.d.o.Logger.Warn("outlet does not deliver", logkey.Outlet(l.name), logkey.Err(err))
	}
	l.trouble.err = err
	l.trouble.atOnce = l.trouble.atOnce || atOnce
}

// healLocked forgets failures: a message went through.
func (l *lane) healLocked() {
	l.failures, l.again = 0, time.Time{}
	if !l.trouble.wall.IsZero() {
		l.d.o.Logger.Info("outlet delivers again", logkey.Outlet(l.name), logkey.Elapsed(time.Since(l.trouble.since)))
	}
	l.trouble = trouble{}
}

// sayTrouble tells of trouble, and of its end, once each. Only the worker calls it.
func (l *lane) sayTrouble() {
	if since, err, tell := l.troubleNow(); tell {
		l.d.o.Trouble(l.name, since, err)
	}
}

func (l *lane) troubleNow() (since time.Time, err error, tell bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	t, said := l.trouble, l.said
	switch {
	case t.wall.IsZero() && !said.IsZero():
		l.said = time.Time{}
		return said, nil, true
	case t.wall.IsZero() || !said.IsZero() || !t.atOnce && time.Since(t.since) < l.d.o.Patience:
		return said, nil, false
	}
	l.said = t.wall
	return t.wall, t.err, true
}

func (l *lane) status() (OutletStatus, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.out == nil {
		return OutletStatus{}, false
	}
	s := l.counts
	s.Outlet, s.To = l.name, l.out.String()
	s.Queue, s.OnTheWay, s.Spilled = len(l.queue), len(l.busy), l.spilled
	s.FailingSince = l.trouble.wall
	return s, true
}

// memory remembers the last n keys, with something about each.
type memory struct {
	n     int
	of    map[string]bool
	order []string // a ring once it is full
	next  int
}

func newMemory(n int) *memory { return &memory{n: n, of: map[string]bool{}} }

func (m *memory) get(key string) (value, ok bool) {
	value, ok = m.of[key]
	return value, ok
}

func (m *memory) put(key string, value bool) {
	if _, ok := m.of[key]; !ok {
		if len(m.order) < m.n {
			m.order = append(m.order, key)
		} else {
			delete(m.of, m.order[m.next])
			m.order[m.next] = key
			m.next = (m.next + 1) % m.n
		}
	}
	m.of[key] = value
}
