package app

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/alert/dispatch"
	"benchvigil/internal/alert/life"
	"benchvigil/internal/alert/roster"
	"benchvigil/internal/alert/rule"
	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/logkey"
)

// Times of the desk, in real time.
const (
	alertTick = 250 * time.Millisecond
	// unsafeAfter is how long an alert waits for the disk: then it goes out from
	// memory, since a disk that hangs must not silence it.
	unsafeAfter = 2 * time.Second
)

// desk is where conclusions become alerts and alerts become messages: the one
// place that holds the rules, the book of alerts and the roster, under one lock,
// so that the steps of one alert are committed in the order in which they were
// decided. Nothing waits for the disk under that lock.
type desk struct {
	log   *zap.Logger
	now   func() time.Time
	store *ledger.Ledger // nil: what is told is kept in memory alone
	post  *dispatch.Dispatcher
	box   *box      // the outbox where there is no store
	kept  *keptHere // what outlets keep where there is none
	ways  atomic.Pointer[ways]
	link  atomic.Pointer[string]
	hosts hosts       // of outlets that fail
	draws atomic.Bool // there are rules about readings

	bench string
	zone  *time.Location

	troubles chan rule.Trouble

	mu      sync.Mutex // guards all below
	rules   *rule.Rules
	book    *life.Book
	roster  *roster.Roster
	hands   map[string]time.Time           // by station: until when somebody is there
	entered map[string]map[string]struct{} // by alert: keys of the messages in the outbox
	people  int                            // who share the alerts
	stands  map[bench.AlertKind]string     // troubles of the bench that were reported, and why
}

// sending is what was entered and must be handed on once it is safe.
type sending struct {
	wait func(context.Context) error
	out  []dispatch.Entry // to be delivered straight away
}

// newDesk makes the desk of a plan, with what stood when the program last
// stopped.
func newDesk(p *Plan, store *ledger.Ledger) (*desk, error) {
	d := &desk{
		log: p.Logger, now: p.Now, bench: p.Bench, zone: time.Local, store: store, box: &box{}, kept: &keptHere{}, troubles: make(chan rule.Trouble, 64),
		rules: rule.New(rule.Options{}), book: life.New(),
		hands: map[string]time.Time{}, entered: map[string]map[string]struct{}{}, stands: map[bench.AlertKind]string{},
	}
	if d.now == nil {
		d.now = time.Now
	}
	w, err := d.follow(p)
	if err != nil {
		return nil, fmt.Errorf("%w: alerts: %w", ErrConfig, err)
	}
	var outbox dispatch.Store = d.box
	if store != nil {
		outbox = ledgerBox{store}
	}
	d.post = dispatch.New(dispatch.Options{Store: outbox, Outlets: w.outlets, Limits: w.limits, Trouble: d.failing, Now: d.now, Logger: p.Logger})
	if err := d.restore(context.Background()); err != nil {
		d.log.Error("not all alerts that stood are known any more", logkey.Err(err))
	}
	return d, nil
}

// tell takes what a station concluded, and the station as it is after that; nil
// where nobody knows. It returns once events and messages are safe, or are on
// their way without.
func (d *desk) tell(events []bench.Event, s *bench.Snapshot) {
	d.mu.Lock()
	now := d.now()
	steps := d.attend(s, now)
	steps = append(steps, d.apply(d.rules.Events(events, s))...)
	out := d.enter(events, steps)
	d.mu.Unlock()
	d.send(out)
}

// reading takes an observation, exactly as infer is given it.
func (d *desk) reading(o bench.Observation) {
	if !d.draws.Load() {
		return
	}
	d.change(func(now time.Time) []bench.Event { return d.apply(d.rules.Reading(&o)) })
}

// act does what a person wants done about an alert. It returns once that is safe.
func (d *desk) act(a bench.AlertAct) (err error) {
	d.change(func(now time.Time) (steps []bench.Event) {
		steps, err = d.book.Act(a, now)
		return steps
	})
	return err
}

// trouble takes news of the bench itself. It never waits; one that finds no room
// is told again by whoever looks next.
func (d *desk) trouble(t rule.Trouble) {
	select {
	case d.troubles <- t:
	default:
	}
}

// views are the alerts that are not normal, the weightiest first.
func (d *desk) views() []bench.AlertView {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.book.Views()
}

// change decides something that no conclusion of a station brought about.
func (d *desk) change(decide func(now time.Time) []bench.Event) {
	d.mu.Lock()
	now := d.now()
	out := d.enter(nil, decide(now))
	d.mu.Unlock()
	d.send(out)
}

// apply enters what the rules found in the book.
func (d *desk) apply(changes []rule.Change) (steps []bench.Event) {
	for _, c := range changes {
		switch c.What {
		case rule.Raise:
			steps = append(steps, d.book.Raise(c.Alert, c.At)...)
		case rule.Amend:
			steps = append(steps, d.book.Amend(c.Alert, c.At)...)
		case rule.Return:
			steps = append(steps, d.book.Return(c.Alert.Point(), c.At, c.Why)...)
		}
	}
	return steps
}

// attend follows whether a person is at a station.
func (d *desk) attend(s *bench.Snapshot, now time.Time) []bench.Event {
	if s == nil {
		return nil
	}
	// After a start every station is told once, since the book does not know of
	// holds under which nothing happened.
	if until, known := d.hands[s.Station]; known && until.Equal(s.HandsOn) {
		return nil
	}
	d.hands[s.Station] = s.HandsOn
	return d.book.Hold(s.Station, s.HandsOn, now)
}

// enter puts events, steps and the messages that are due because of them into
// the store, in one transaction.
func (d *desk) enter(events, steps []bench.Event) sending {
	return d.put(append(events[:len(events):len(events)], steps...), d.due(steps))
}

// due are the messages that steps make due at once.
func (d *desk) due(steps []bench.Event) (due []roster.Delivery) {
	for _, e := range steps {
		due = append(due, d.roster.Due(e.Data.Alert, e.Type, e.Time)...)
	}
	return due
}

// put enters events and those of the messages that were not entered before.
func (d *desk) put(events []bench.Event, due []roster.Delivery) sending {
	var rows []ledger.Alert
	var out []dispatch.Entry
	for i := range due {
		if e, ok := d.entry(&due[i]); ok {
			out = append(out, e)
			rows = append(rows, ledger.Alert{Key: e.Key, Station: e.Station, Outlet: e.Outlet, Body: e.Body, Raised: e.Raised, Due: e.Due})
		}
	}
	s := sending{out: out}
	switch {
	case d.store != nil:
		s.wait = d.store.Enter(events, rows...)
	default:
		d.box.add(out)
	}
	return s
}

// entry makes a row of the outbox of a message; false where it has one already.
func (d *desk) entry(due *roster.Delivery) (dispatch.Entry, bool) {
	m := &due.Message
	known := d.entered[m.Alert.Key]
	if known == nil {
		known = map[string]struct{}{}
		d.entered[m.Alert.Key] = known
	}
	if _, ok := known[m.Key]; ok {
		return dispatch.Entry{}, false
	}
	m.Link = d.linkTo(m.Alert.Key)
	body, err := m.Encode()
	if err != nil {
		d.log.Error("a message cannot be written", logkey.Key(m.Key), logkey.Err(err))
		return dispatch.Entry{}, false
	}
	known[m.Key] = struct{}{}
	return dispatch.Entry{Key: m.Key, Station: m.Alert.Station, Outlet: due.Outlet, Body: body, Raised: m.Made, Due: due.Due}, true
}

// send hands messages on once they are safe, or without that where the store
// does not work.
func (d *desk) send(s sending) {
	var err error
	if s.wait != nil {
		ctx, cancel := context.WithTimeout(context.Background(), unsafeAfter)
		err = s.wait(ctx)
		cancel()
	}
	switch {
	case len(s.out) == 0:
	case err != nil:
		d.post.Parted(s.out)
	default:
		d.post.Hand(s.out)
	}
}

// watch lets time pass until ctx ends.
func (d *desk) watch(ctx context.Context, look func() []bench.Snapshot) error {
	tick := time.NewTicker(alertTick)
	defer tick.Stop()
	for {
		select {
		case t := <-d.troubles:
			d.change(func(time.Time) []bench.Event { return d.apply(d.rules.Trouble(t)) })
		case <-tick.C:
			d.tick(look())
		case <-ctx.Done():
			return nil
		}
	}
}

// tick does what is due by now: hold times that are over, what no longer stands,
// repeats and escalations.
func (d *desk) tick(all []bench.Snapshot) {
	d.mu.Lock()
	now := d.now()
	var steps []bench.Event
	for i := range all {
		steps = append(steps, d.attend(&all[i], now)...)
	}
	steps = append(steps, d.apply(d.rules.Tick(now, all))...)
	steps = append(steps, d.apply(d.ledgerTrouble())...)
	steps = append(steps, d.book.Tick(now)...)
	out := d.put(steps, append(d.due(steps), d.later(now)...))
	d.mu.Unlock()
	d.send(out)
}

// later are the messages that the passing of time makes due. What is remembered
// of alerts that are over is let go.
func (d *desk) later(now time.Time) (due []roster.Delivery) {
	views := d.book.Views()
	stand := make(map[string]bool, len(views))
	for i := range views {
		stand[views[i].Key] = true
		due = append(due, d.roster.Later(&views[i], now)...)
	}
	for key := range d.entered {
		if !stand[key] {
			delete(d.entered, key)
		}
	}
	return due
}

// ledgerTrouble reports that the store cannot be written, and that it can again.
func (d *desk) ledgerTrouble() []rule.Change {
	if d.store == nil {
		return nil
	}
	why, t := "", rule.Trouble{Kind: bench.AlertLedger, At: d.now()}
	if trouble := d.store.Trouble(); trouble != nil {
		why, t.Since, t.Why = trouble.Err.Error(), trouble.Since, trouble.Err.Error()
	}
	return d.report(t, why)
}

// report passes on a trouble that began, changed or ended.
func (d *desk) report(t rule.Trouble, why string) []rule.Change {
	before, stood := d.stands[t.Kind]
	switch {
	case why == "" && !stood, why != "" && why == before:
		return nil
	case why == "":
		delete(d.stands, t.Kind)
		t.Over = true
	default:
		d.stands[t.Kind] = why
	}
	return d.rules.Trouble(t)
}

// restore takes up what stood when the program last stopped.
func (d *desk) restore(ctx context.Context) error {
	if d.store == nil {
		return nil
	}
	for e, err := range d.store.Standing(ctx) {
		if err != nil {
			return err
		}
		d.book.Apply(e)
		key := e.Data.Alert.Key
		messages, err := d.store.Entered(ctx, key)
		if err != nil {
			return err
		}
		d.entered[key] = map[string]struct{}{}
		for _, k := range messages {
			d.entered[key][k] = struct{}{}
		}
	}
	d.rules.Restore(d.book.Views())
	for _, v := range d.book.Views() {
		if v.Kind == bench.AlertLedger && v.Stands {
			d.stands[v.Kind] = strings.Join(v.Why, "; ")
		}
	}
	return nil
}
