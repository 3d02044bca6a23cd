// Package station is where sources, inference and sinks meet: one goroutine
// per station owns its Engine, takes observations from a bounded mailbox,
// gives them to infer in order and publishes an immutable snapshot. It knows
// the vocabulary and infer; sources and sinks are plugged in as functions.
//
// Contract: Put never blocks and may be called from anywhere. Record and Tell
// are called from the station's goroutine, Record with exactly what infer is
// given, before infer sees it; Tell with events in the order in which they
// became certain. A slice given to Tell may be kept.
package station

import (
	"context"
	"errors"
	"slices"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/logkey"
)

// Times of the loop, in real time.
const (
	tickEvery = 100 * time.Millisecond
	// jumpLeast is the least difference between wall and monotonic clock over
	// one tick that is a step of the wall clock and not its slewing.
	jumpLeast = 250 * time.Millisecond
)

// lag holds ticks back, so that an observation that is a little late on its way
// still comes before the silence that it ends. In bench time.
const lag = 100 * time.Millisecond

// DefaultMailbox is the length of the queue before a station: more than a
// second of readings at 1 kHz.
const DefaultMailbox = 2048

// recentEvents and recentMarks are how many of them a snapshot carries.
const (
	recentEvents = 12
	recentMarks  = 6
)

// Options say what a Station is and where its facts and conclusions go.
type Options struct {
	Engine   *infer.Engine
	Name     string // what people call it
	Port     string // USB port path, for display
	Record   func(bench.Observation)
	Tell     func([]bench.Event, *bench.Snapshot) // what was concluded, and the station as it is after that
	Failures func() uint64                        // failed readings of its supply source; nil: none is counted
	Now      func() time.Time                     // the bench clock; nil: time.Now
	Mailbox  int                                  // 0: DefaultMailbox
	Save     func(now time.Time, m Memory)        // takes what is remembered, after all that was recorded and up to now; nil: nobody keeps it
	TakeUp   *TakeUp                              // the watch goes on from what was remembered; nil: it begins anew
	Forgot   *bench.WatchView                     // what was armed when the program last stopped; nil: nothing
	Auto     []bench.Mode                         // entering one of these arms the goal that fits it, where none is armed
	Logger   *zap.Logger
}

func (o *Options) validate() error {
	if o.Engine == nil || o.Logger == nil {
		return errors.New("station: Engine and Logger are needed")
	}
	if o.Record == nil {
		o.Record = func(bench.Observation) {}
	}
	if o.Tell == nil {
		o.Tell = func([]bench.Event, *bench.Snapshot) {}
	}
	if o.Failures == nil {
		o.Failures = func() uint64 { return 0 }
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Mailbox <= 0 {
		o.Mailbox = DefaultMailbox
	}
	return nil
}

// Station follows one station.
type Station struct {
	o       Options
	id      string
	name    atomic.Pointer[string] // what people call it
	mail    chan bench.Observation
	auto    atomic.Pointer[[]bench.Mode]
	dropped atomic.Uint64
	view    atomic.Pointer[bench.Snapshot]
	probed  chan time.Time // holds the last answer to a probe

	// Owned by Run.
	start    time.Time     // of the station, with its monotonic reading
	offset   time.Duration // how far the wall clock has moved against the monotonic one since
	recent   []bench.Event
	marks    []bench.MarkView // newest first
	lastMark bench.MarkView   // of any kind
	forgot   *bench.WatchView // until something is armed or it is put away
	settled  bool             // nothing more may be observed at the moment of the Engine
	shape    shape
	ended    bool      // nothing is observed any more
	saved    time.Time // when the memory was saved last
	decided  bool      // somebody armed or ended a goal since the memory that was taken up
	drawn    []bench.Event
}

// New returns a Station that is not running yet.
func New(o Options) (*Station, error) {
	if err := o.validate(); err != nil {
		return nil, err
	}
	s := &Station{o: o, id: o.Engine.Station().ID, mail: make(chan bench.Observation, o.Mailbox), probed: make(chan time.Time, 1)}
	s.start, s.forgot = o.Now(), o.Forgot
	s.Rename(o.Name)
	s.ArmIn(o.Auto)
	if o.TakeUp != nil {
		s.drawn = s.catchUp(o.TakeUp)
	}
	s.publish(s.start)
	return s, nil
}

// String names the station in logs.
func (s *Station) String() string { return "station " + s.id }

// Rename changes what people call the station, and nothing else: snapshots
// carry the name from the next tick on. It may be called from anywhere.
func (s *Station) Rename(name string) { s.name.Store(&name) }

// ArmIn says entering which modes arms a goal from now on. It may be called
// from anywhere.
func (s *Station) ArmIn(modes []bench.Mode) { s.auto.Store(&modes) }

// Put hands over an observation. It returns false when the mailbox is full: the
// observation is dropped and counted, and its source should look again.
func (s *Station) Put(o bench.Observation) bool {
	select {
	case s.mail <- o:
		return true
	default:
		s.dropped.Add(1)
		return false
	}
}

// Drawn is what was concluded while the watch was taken up, from observations
// of before: most of it was told then. Tell is not given it.
func (s *Station) Drawn() []bench.Event { return s.drawn }

// Snapshot returns what the station looked like at the last tick or event.
func (s *Station) Snapshot() bench.Snapshot { return *s.view.Load() }

// Run follows the station until ctx ends, then takes what is still in the
// mailbox and returns nil.
func (s *Station) Run(ctx context.Context) error {
	if s.o.TakeUp != nil {
		s.takeUp(s.o.TakeUp.Rebooted)
	}
	tick := time.NewTicker(tickEvery)
	defer tick.Stop()
	for {
		select {
		case o := <-s.mail:
			s.take(o)
			if len(s.mail) == 0 {
				s.settle()
			}
		case <-tick.C:
			s.tick()
		case <-ctx.Done():
			s.drain()
			return nil
		}
	}
}

func (s *Station) drain() {
	for {
		select {
		case o := <-s.mail:
			s.take(o)
		default:
			s.end()
			return
		}
	}
}

// end closes the recording of the station: time passed until now.
func (s *Station) end() {
	now := s.o.Now()
	s.ended = true
	s.give(bench.Observation{At: s.stamp(now), Station: s.id, Fact: bench.Clock{End: true}})
	s.publish(now)
	s.save(0)
}

func (s *Station) take(o bench.Observation) {
	if o.Fact == nil {
		s.answer(o)
		return
	}
	o.At = s.stamp(o.At)
	if s.give(o) {
		s.publish(s.o.Now())
	}
}

// settle concludes at once from what was taken: nothing else waits, and whoever
// has to run should not wait for the next reading. What comes later is stamped
// later, so that a replay weighs together what was weighed together here.
func (s *Station) settle() {
	s.settled = true
	if s.tell(s.o.Engine.Settle()) {
		s.save(again(true))
		s.publish(s.o.Now())
	}
}

// stamp puts a source's time stamp into the wall clock's present frame, to the
// millisecond. Where both carry a monotonic reading a step of the wall clock
// between them makes no difference. What comes late is taken as of now.
func (s *Station) stamp(at time.Time) time.Time {
	wall := s.start.Round(0).Add(at.Sub(s.start) + s.offset).Round(time.Millisecond)
	now := s.o.Engine.Now()
	if s.settled {
		now = now.Add(time.Millisecond)
	}
	if wall.Before(now) {
		return now
	}
	return wall
}

// note keeps what is shown of an observation and infer does not remember.
func (s *Station) note(o bench.Observation) {
	switch f := o.Fact.(type) {
	case bench.Power:
		if amps, known := f.Amps.Get(); known && f.Channel == "" {
			s.shape.add(o.At, amps)
		}
	case bench.Mark:
		s.noteMark(o.At, f)
	}
}

// give is the one way into infer. It reports whether anything was concluded.
func (s *Station) give(o bench.Observation) bool {
	s.note(o)
	s.o.Record(o)
	if ce := s.o.Logger.Check(zap.DebugLevel, "observed"); ce != nil {
		ce.Write(logkey.Station(s.id), fact(o.Fact))
	}
	s.settled = false
	concluded := s.tell(s.o.Engine.Step(o))
	s.save(again(concluded))
	return concluded
}

// fact is an observation for the log.
func fact(f bench.Fact) zap.Field {
	if m, ok := f.(bench.Mark); ok {
		return logkey.Mark(m.Kind, m.Text, m.By, m.For)
	}
	return logkey.Fact(f)
}

// noteMark keeps the last mark of a person, and the last ones to be shown, but
// for those that events tell of.
func (s *Station) noteMark(at time.Time, m bench.Mark) {
	v := bench.MarkView{At: at, Kind: m.Kind, Text: m.Text, By: m.By}
	if m.By != bench.Automatic {
		s.lastMark = v
	}
	if m.Kind == bench.MarkArm || m.Kind == bench.MarkDisarm {
		s.recall(at, m)
	}
	switch m.Kind {
	case bench.MarkStop, bench.MarkResume, bench.MarkMine, bench.MarkArm, bench.MarkDone, bench.MarkDisarm:
		return
	}
	marks := append([]bench.MarkView{v}, s.marks...)
	s.marks = slices.Clip(marks[:min(len(marks), recentMarks)])
}

// recall has done with what was armed before the program was started: another
// goal takes its place, or it is put away. That is told here, since the Engine
// knows nothing of it, so that the next start does not bring it up again.
func (s *Station) recall(at time.Time, m bench.Mark) {
	w := s.forgot
	if s.forgot = nil; w == nil || m.Kind == bench.MarkArm {
		return
	}
	e := bench.Event{Station: s.id, Type: bench.WatchFailed, Time: at, Concluded: at, Data: bench.EventData{
		Kind: bench.WatchDisarmed, Goal: w.Goal.String(), By: m.By, Why: []string{"it was armed before benchvigil was started again, and put away"},
	}}
	s.log(e)
	s.remember([]bench.Event{e})
	s.o.Tell([]bench.Event{e}, s.publish(s.o.Now()))
}

func (s *Station) tick() {
	now := s.o.Now()
	s.checkClock(now)
	s.save(again(s.tell(s.o.Engine.Tick(s.stamp(now.Add(-lag))))))
	s.publish(now)
}

// checkClock compares the wall clock with the monotonic one.
func (s *Station) checkClock(now time.Time) {
	wall, mono := now.Round(0).Sub(s.start.Round(0)), now.Sub(s.start)
	s.wallMoved(now, wall-mono-s.offset)
}

// wallMoved follows the wall clock: slewing silently, a step as an observation.
func (s *Station) wallMoved(now time.Time, by time.Duration) {
	s.offset += by
	if by = by.Round(time.Millisecond); by.Abs() < jumpLeast {
		return
	}
	s.o.Logger.Warn("the wall clock was stepped", logkey.Station(s.id), logkey.Elapsed(by))
	at := s.start.Round(0).Add(now.Sub(s.start) + s.offset).Round(time.Millisecond)
	s.give(bench.Observation{At: at, Station: s.id, Fact: bench.Clock{Jump: by}})
}

func (s *Station) tell(events []bench.Event) bool {
	if len(events) == 0 {
		return false
	}
	events = slices.Clone(events)
	for _, e := range events {
		s.log(e)
	}
	s.remember(events)
	s.o.Tell(events, s.publish(s.o.Now()))
	s.autoArm(events)
	return true
}

// autoArm arms the goal that fits a mode that was entered, as somebody at the
// bench would: by a mark, so that it stands in the recording. The mark comes
// after all that was given, so it is stamped a millisecond later.
func (s *Station) autoArm(events []bench.Event) {
	auto := *s.auto.Load()
	for _, e := range slices.Backward(events) {
		to := e.Data.To
		switch {
		case e.Type == bench.RunStarted && e.Data.Kind == bench.Resumed:
			to = e.Data.Mode // it may have been entered while the run counted as stopped
		case e.Type != bench.ModeChanged:
			continue
		}
		g, fits := s.o.Engine.AutoGoal(to)
		if fits && slices.Contains(auto, to) && !s.o.Engine.Armed() && !s.ended {
			at := s.o.Engine.Now().Add(time.Millisecond)
			s.give(bench.Observation{At: at, Station: s.id, Fact: bench.Mark{Kind: bench.MarkArm, By: bench.Automatic, Text: g.String()}})
		}
		return
	}
}

func (s *Station) remember(events []bench.Event) {
	recent := make([]bench.Event, 0, recentEvents)
	for _, e := range slices.Backward(events) {
		recent = append(recent, e)
	}
	recent = append(recent, s.recent...)
	s.recent = slices.Clip(recent[:min(len(recent), recentEvents)])
}

func (s *Station) log(e bench.Event) {
	fields := []zap.Field{logkey.Station(s.id), logkey.Event(string(e.Type)), logkey.Why(e.Data.Why)}
	if e.Type == bench.ModeChanged {
		fields = append(fields, logkey.PrevState(string(e.Data.From)), logkey.State(string(e.Data.To)))
	}
	s.o.Logger.Info("concluded", fields...)
}

func (s *Station) publish(now time.Time) *bench.Snapshot {
	v := &bench.Snapshot{Forgotten: s.forgot, Name: *s.name.Load(), Port: s.o.Port, Recent: s.recent, Marks: s.marks, LastMark: s.lastMark, QueueDropped: s.dropped.Load()}
	s.o.Engine.View(now.Round(0), v)
	v.Counts.BadReadings += s.o.Failures()
	v.Shape = s.shape.view()
	s.view.Store(v)
	return v
}
