package infer

import (
	"slices"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
	"benchvigil/internal/stats"
	"benchvigil/internal/unit"
)

// Times that belong to the exact meanings and to no profile.
const (
	grid          ms = 100  // time advances through silence in these steps
	together      ms = 1000 // a reading and a USB removal this close are one happening
	standbyFor    ms = 500  // standby for this long, with USB gone, is a drop
	concludeAfter ms = 650  // wait for the kind of a drop; it must be told within 1 s of the true moment
	markGrace     ms = ms(bench.StopWithin / time.Millisecond)
	outputGrace   ms = 2000   // the output seen off this soon after a drop: we did it
	blindAfter    ms = 3000   // sight is lost after this, or ten reading periods
	firstSight    ms = 1000   // what stands there this soon was there before
	staleFor      ms = 3000   // the bus may show a dead device for this long
	overdueAfter  ms = 5000   // a device gone for longer, and its current not, is missed
	reasonFor     ms = 60_000 // how long an instrument's complaint is shown
	mineGrace     ms = ms(bench.MineWithin / time.Millisecond)
	vbusFresh     ms = 3000      // how old a reading of bus power may be
	inrush        ms = 1000      // a board that comes back may pull the volts down this long
	stepBack      ms = 1000      // a step back beyond this is a clock step, not disorder
	longestTicks  ms = 604800000 // a week: a longer silence is walked through in one step
)

// Station is what an Engine needs to know of its station.
type Station struct {
	ID     string
	Hookup bench.Hookup
	Window time.Duration // 0: the profile's
	Learnt Learnt
}

// Engine follows one station. It is not safe for concurrent use.
type Engine struct {
	p      *profile.Profile
	st     Station
	window ms
	s      State
	out    []bench.Event
	held   []bench.Fact // observed at Now and not yet taken
	byID   map[bench.USBID][]*profile.Spec
	ups    []*profile.Spec // the modes of a board that is up and past starting
	silent []*profile.Spec // those of them that show nothing on the bus

	m        *model
	filter   *stats.Filter
	lik      []float64 // scratch: one for each state of the model
	logs     []float64 // scratch: one for each mode
	weighing bool      // the evidence leaves several modes open now

	lessons []lesson // limits that finished work taught
	ahead   expected // what was last said of the time to come
}

// New returns an Engine that has seen nothing.
func New(p *profile.Profile, st Station) *Engine {
	return Resume(p, st, State{Mode: modeState{Mode: bench.Unknown}})
}

// Resume returns an Engine that goes on from a saved State.
func Resume(p *profile.Profile, st Station, s State) *Engine {
	w := st.Window
	if w <= 0 {
		w = p.Window
	}
	e := &Engine{p: p, st: st, window: millis(w), s: s.clone(), held: unpack(s.Held), byID: map[bench.USBID][]*profile.Spec{}}
	for i := range p.Modes {
		spec := &p.Modes[i]
		for _, id := range spec.USB {
			e.byID[id] = append(e.byID[id], spec)
		}
		if !up(spec.Mode) {
			continue
		}
		e.ups = append(e.ups, spec)
		if len(spec.USB) == 0 {
			e.silent = append(e.silent, spec)
		}
	}
	e.m = newModel(p, st.Hookup)
	e.takeUpBelief()
	e.learn()
	return e
}

// State returns a copy of everything the Engine remembers.
func (e *Engine) State() State {
	s := e.s.clone()
	s.Held = pack(e.held)
	s.Belief.P = slices.Clone(e.filter.Posterior())
	return s
}

func (s State) clone() State {
	s.Drops = slices.Clone(s.Drops)
	s.Power.Block = slices.Clone(s.Power.Block)
	s.Belief = s.Belief.clone()
	s.Work.Stays, s.Hookup.Runs = slices.Clone(s.Work.Stays), slices.Clone(s.Hookup.Runs)
	return s
}

// Now is the last moment the Engine processed; an observation stamped earlier
// is taken as of Now. It is zero before the first observation.
func (e *Engine) Now() time.Time {
	if e.s.First == 0 {
		return time.Time{}
	}
	return e.wall(e.s.Now)
}

// Step takes one observation and returns what became certain. The returned
// slice is valid until the next call. Observations must come in the order in
// which they were made; one that is older is taken as of Now. Two in a row that
// are more than a second old mean that the wall clock was stepped back. What is
// observed at one moment is weighed together, whatever came first, when time
// moves on: by the next observation, or by Tick.
func (e *Engine) Step(o bench.Observation) []bench.Event {
	e.out = e.out[:0]
	wall := o.At.UnixMilli()
	first := e.s.First == 0
	if first {
		e.s.Base = wall - int64(firstMoment)
		e.s.First, e.s.Now = firstMoment, firstMoment
	}
	clock, isClock := o.Fact.(bench.Clock)
	if isClock && clock.Gap > 0 {
		if !first {
			e.skip(clock, wall)
		}
		return e.out
	}
	if isClock {
		e.stepClock(clock, wall)
	}
	t := e.moment(wall)
	e.advance(t)
	if e.beside(t, o.Fact) {
		return e.out
	}
	if t > e.s.Now {
		e.takeHeld()
		e.s.Now = t
	}
	switch {
	case !isClock:
		e.hold(o.Fact)
	case clock.End:
		e.finish()
	}
	return e.out
}

// stepClock follows a step of the wall clock that was announced. One by an
// unknown amount takes no time.
func (e *Engine) stepClock(c bench.Clock, wall int64) {
	switch {
	case c.Jump != 0:
		e.s.Base += c.Jump.Milliseconds()
	case !c.End:
		e.s.Base = wall - int64(e.s.Now)
	}
}

// moment turns wall time into internal time, which never goes back. One old
// stamp is disorder and taken as of now; a second in a row is a clock that was
// stepped back without a word.
func (e *Engine) moment(wall int64) ms {
	t := ms(wall - e.s.Base)
	old := t < e.s.Now-stepBack
	if old && e.s.Old {
		e.s.Base -= int64(e.s.Now - t)
		old = false
	}
	e.s.Old = old
	return max(t, e.s.Now)
}

// Settle draws the conclusions that only wait for time to move on: nothing more
// is observed at the present moment. What comes next must be stamped later than
// Now. The returned slice is valid until the next call.
func (e *Engine) Settle() []bench.Event {
	e.out = e.out[:0]
	e.takeHeld()
	return e.out
}

// Finish draws the conclusions that only wait for more to be told: those from
// what was observed at the last moment, and a drop that is certain while its
// kind is open. For a recording that stops without its end; the End of a clock
// does the same. The returned slice is valid until the next call.
func (e *Engine) Finish() []bench.Event {
	e.out = e.out[:0]
	e.finish()
	return e.out
}

func (e *Engine) finish() {
	e.takeHeld()
	if e.s.Down.Since != 0 {
		e.tellDown(e.back(), e.blind(e.s.Now))
	}
	e.checkWatch(e.s.Now)
}

// Tick tells the Engine that it is now and nothing else was observed. The
// returned slice is valid until the next call.
func (e *Engine) Tick(now time.Time) []bench.Event {
	e.out = e.out[:0]
	if e.s.First != 0 {
		e.advance(ms(now.UnixMilli() - e.s.Base))
	}
	return e.out
}

// advance walks the grid up to, but not including, t.
func (e *Engine) advance(t ms) {
	next := e.s.Now - (e.s.Now-e.s.First)%grid + grid
	if t-next > longestTicks {
		next = t - 1 - (t-1-e.s.First)%grid
	}
	if next < t {
		e.takeHeld()
	}
	for ; next < t; next += grid {
		e.s.Now = next
		e.tick(next)
	}
}

// beside takes what is no evidence: the temperature beside the board, and news
// of other instruments than its supply. Nothing may be concluded because of it,
// nor at another moment, so Now stays and the grid is walked as if it had never
// been told.
func (e *Engine) beside(t ms, f bench.Fact) bool {
	switch f := f.(type) {
	case bench.Temperature:
		e.s.Warmth = warmthState{At: t, Celsius: f.Celsius}
		return true
	case bench.Supply:
		return f.Channel != "" && f.Channel != bench.ChannelMain
	}
	return false
}

func (e *Engine) take(t ms, f bench.Fact) {
	switch f := f.(type) {
	case bench.Power:
		e.power(t, f)
	case bench.USB:
		e.usb(t, f)
	case bench.Traffic:
		e.traffic(t, f)
	case bench.Mark:
		e.mark(t, f)
	case bench.Supply:
		e.supplyNews(t, f)
	case bench.USBSource:
		e.sourceNews(t, f)
	}
}

// tick is one step through silence.
func (e *Engine) tick(t ms) {
	e.checkSight(t)
	e.closeBlock(t)
	e.settle(t)
}

// settle draws every conclusion that the evidence now allows.
func (e *Engine) settle(t ms) {
	e.findDown(t)
	e.judgeGap(t)
	e.concludeDown(t)
	e.startRun(t)
	e.chooseMode(t)
	e.weigh(t)
	e.checkWindow(t)
	e.watchQuiet(t)
	e.checkStall(t)
	e.checkHung(t)
	e.checkWatch(t)
}

// emit adds an event that happened at time at and is certain now.
func (e *Engine) emit(kind bench.EventType, at ms, d bench.EventData) {
	e.followEvent(kind, at, &d)
	e.s.Events++
	e.out = append(e.out, bench.Event{
		Station: e.st.ID, Type: kind, Time: e.wall(at), Concluded: e.wall(e.s.Now), Count: e.s.Events, Data: d,
	})
}

// followEvent lets what is counted by events see one before it is told.
func (e *Engine) followEvent(kind bench.EventType, at ms, d *bench.EventData) {
	switch kind {
	case bench.ModeChanged:
		e.s.Current = currentState{}
		e.followWork(at, d)
	case bench.SupplyBack:
		e.s.Supply.Reason, e.s.Supply.Heard = "", 0 // what it complained of is over
	case bench.RunDropped, bench.RunStopped, bench.RunReclassified:
		e.followRuns(kind)
	}
}

// wall turns internal time into wall time.
func (e *Engine) wall(t ms) time.Time {
	return time.UnixMilli(int64(t) + e.s.Base).UTC()
}

func millis(d time.Duration) ms  { return ms(d.Milliseconds()) }
func (t ms) span() time.Duration { return time.Duration(t) * time.Millisecond }

func length(t ms) unit.Maybe[time.Duration] { return unit.Some(t.span()) }

// Station returns what the Engine was told of its station.
func (e *Engine) Station() Station { return e.st }
