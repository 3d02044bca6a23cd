package signature

import (
	"errors"
	"slices"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

// How long a trace goes on, and how long its end is waited for.
const (
	afterUp   = 2 * time.Second // the level that it came up to
	afterDown = time.Second     // that the current is gone
	toldLate  = 5 * time.Second // conclusions may come so much later than what they are about
)

// ErrReadings is wrapped where a start was seen without any reading.
var ErrReadings = errors.New("no reading of the supply in it")

// Start is one start of a station.
type Start struct {
	Station string
	Run     int       // numbers the starts that the Finder tells, from 1
	At      time.Time // power-up
	VBUS    bool      // USB bus power fed the board too
	Trace   Trace
	Gap     bool  // readings are missing, and the trace ends there
	Err     error // why there is no trace
}

// Finder follows one station through infer and finds its starts. A run that
// was already going on at first sight has no start. It is not safe for
// concurrent use.
type Finder struct {
	e     *infer.Engine
	st    infer.Station
	tell  func(Start)
	clock bench.Steady
	now   time.Duration
	read  []Reading // At is steady time
	runs  int
	open  unit.Maybe[opened]
}

// opened is a start whose trace is not complete.
type opened struct {
	begun time.Duration // steady time
	until time.Duration // the trace ends there at the latest
	start Start
}

// Find returns a Finder that tells each start when its trace is complete.
func Find(p *profile.Profile, st infer.Station, tell func(Start)) *Finder {
	return &Finder{e: infer.New(p, st), st: st, tell: tell}
}

// Step takes one observation and returns what infer concludes from it.
func (f *Finder) Step(o bench.Observation) []bench.Event {
	f.now = f.clock.Take(o)
	if p, ok := o.Fact.(bench.Power); ok && (p.Channel == "" || p.Channel == bench.ChannelMain) {
		if a, ok := p.Amps.Get(); ok {
			f.read = append(f.read, Reading{f.now, a})
		}
	}
	events := f.conclude(f.e.Step(o))
	if c, ok := o.Fact.(bench.Clock); ok && c.End {
		f.close(f.now)
	}
	return events
}

// Tick tells that time has passed and returns what infer concludes from that.
func (f *Finder) Tick(now time.Time) []bench.Event {
	f.now = max(f.now, f.clock.Since(now))
	return f.conclude(f.e.Tick(now))
}

// Finish tells that the recording is over. A start that goes on is cut there.
func (f *Finder) Finish() []bench.Event {
	events := f.conclude(f.e.Finish())
	f.close(f.now)
	return events
}

func (f *Finder) conclude(events []bench.Event) []bench.Event {
	for _, e := range events {
		t := f.clock.Since(e.Time)
		switch e.Type {
		case bench.RunStarted:
			if e.Data.Kind == bench.Resumed {
				break // its start was long ago
			}
			f.close(t)
			if !e.Data.Assumed {
				f.runs++
				f.open = unit.Some(opened{t, t + longest, Start{Station: f.st.ID, Run: f.runs, At: e.Time, VBUS: f.st.Hookup.VBUS, Trace: Trace{End: Cut}}})
			}
		case bench.ModeChanged:
			if e.Data.From == bench.Starting {
				f.end(t, Up, e.Data.To, afterUp)
			}
		case bench.RunDropped:
			f.end(t, Dropped, "", afterDown)
		case bench.RunStopped:
			f.end(t, Stopped, "", afterDown)
		}
	}
	if o, ok := f.open.Get(); ok && f.now > o.until+toldLate {
		f.close(o.until)
	}
	f.forget()
	return events
}

// end notes how the open start ended. A board that is up may still drop before
// its trace is over.
func (f *Finder) end(at time.Duration, how Ending, m bench.Mode, tail time.Duration) {
	o, ok := f.open.Get()
	t := &o.start.Trace
	if !ok || at > o.until || t.End == Dropped || t.End == Stopped || t.End == how {
		return
	}
	t.End, t.After, t.Mode = how, at-o.begun, m
	o.until = min(at+tail, o.begun+longest)
	f.open = unit.Some(o)
}

// close completes the open start, whose trace ends at the given time.
func (f *Finder) close(at time.Duration) {
	o, ok := f.open.Get()
	if !ok {
		return
	}
	f.open = unit.Maybe[opened]{}
	var within []Reading
	for _, r := range f.read {
		if r.At >= o.begun && r.At < min(at, o.until) {
			within = append(within, Reading{r.At - o.begun, r.Amps})
		}
	}
	if len(within) == 0 {
		o.start.Err = ErrReadings
		f.tell(o.start)
		return
	}
	t, cut, err := NewTrace(within)
	o.start.Err, o.start.Gap = err, cut
	if how := o.start.Trace; !cut && how.End != Cut {
		t.End, t.Mode, t.After = how.End, how.Mode, how.After
	}
	o.start.Trace = t
	f.tell(o.start)
}

// forget drops readings that no start can need any more.
func (f *Finder) forget() {
	if f.open.Known() || len(f.read) == 0 || f.read[0].At > f.now-2*toldLate {
		return
	}
	keep := slices.IndexFunc(f.read, func(r Reading) bool { return r.At >= f.now-toldLate })
	if keep < 0 {
		keep = len(f.read)
	}
	f.read = slices.Delete(f.read, 0, keep)
}
