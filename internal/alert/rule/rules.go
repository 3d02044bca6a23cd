package rule

import (
	"maps"
	"slices"
	"time"

	"benchvigil/internal/bench"
)

// Options say what is watched and how. The zero Options watch whatever stations
// come, by the default hold times and no rules of draw.
type Options struct {
	Stations []Station
	Draw     []Draw                            // must have passed Check
	Hold     map[bench.AlertKind]time.Duration // in place of DefaultHold; a danger is never held
	Back     time.Duration                     // how long a run must go on for a drop to be over; 0: DefaultBack
	Zone     *time.Location                    // of the times in words; nil: time.Local
}

// Station is what the rules have to know of one.
type Station struct {
	ID, Name string
	Port     string // USB port path, "1-2.3"; empty: none is watched
	Profile  string
	Supply   string // address of its instrument: stations with the same one share a supply; empty: none
	Window   time.Duration
}

// What a Change does.
type What string

// The changes.
const (
	Raise  What = "raise"
	Amend  What = "amend"  // more is known of the same occurrence; it need not ring again unless it weighs more
	Return What = "return" // it is over, or part of another alert; Text says what is so now
)

// Change is one step of one alert, which stands in it as it is after the step.
type Change struct {
	What  What
	Alert bench.Alert
	At    time.Time // when it was decided
	Why   string    // of an amendment or a return
}

// Trouble is one of the bench itself: of the kinds ledger, outlet, configuration
// and unwatched.
type Trouble struct {
	Kind  bench.AlertKind
	Rule  string    // which of several: the name of the outlet
	Since time.Time // zero where it is over
	Until time.Time // of unwatched: when somebody watched again
	At    time.Time // when it was noticed, or is over; zero: at Since
	Why   string    // an error in plain words, without secrets
	Over  bool
}

// Rules hold what stands.
type Rules struct {
	o        Options
	stations map[string]*station
	points   map[bench.AlertPoint]*entry
	order    []*entry // as they came
	out      []Change // of the call under way

	now     time.Time // of the newest call
	begun   time.Time // of the first tick
	regroup bool      // what may have a common cause has changed
	ticks   bool      // the call under way is a Tick
}

// New returns Rules of which nothing stands.
func New(o Options) *Rules {
	r := &Rules{stations: map[string]*station{}, points: map[bench.AlertPoint]*entry{}}
	r.Configure(o)
	return r
}

// Configure takes other options. What stands goes on; what is about a station or
// a rule that is no more returns to normal at the next Tick.
func (r *Rules) Configure(o Options) {
	if o.Zone == nil {
		o.Zone = time.Local
	}
	if o.Back <= 0 {
		o.Back = DefaultBack
	}
	o.Hold = maps.Clone(o.Hold)
	r.o = o
	old := r.stations
	r.stations = make(map[string]*station, len(o.Stations))
	for _, s := range o.Stations {
		st := old[s.ID]
		if st == nil {
			st = &station{}
		}
		st.Station = s
		st.configure(o.Draw)
		r.stations[s.ID] = st
	}
	r.regroup = true
}

// Restore takes up what stood when the program last stopped. Such alerts are not
// raised again, and judged only once the stations have been watched for a while.
func (r *Rules) Restore(views []bench.AlertView) {
	for i := range views {
		v := &views[i]
		if !v.Stands || v.Passing || r.points[v.Point()] != nil {
			continue
		}
		e := &entry{
			facts: factsOf(&v.Alert), alert: v.Alert, told: true, rung: true, toldAs: v.Severity,
			due: v.Since, restored: true, members: slices.Clone(v.Others),
		}
		e.facts.zone = r.o.Zone
		r.add(e)
		r.restoreMembers(e)
	}
	r.regroup = true
}

// Events takes what was concluded of a station, in order, and the station as it is
// after that: an older snapshot would show conditions that are over, and not show
// those that have begun. Without a snapshot, or with one that is older than the
// events, the events alone are judged.
func (r *Rules) Events(events []bench.Event, s *bench.Snapshot) []Change {
	if len(events) == 0 && s == nil {
		return nil
	}
	r.start(newest(events, s))
	for i := range events {
		if st := r.station(events[i].Station, s); st != nil {
			r.event(st, &events[i], events, s)
		}
	}
	if s != nil {
		if st := r.station(s.Station, s); st != nil {
			st.heard = newest(events, nil)
			if !s.At.Before(st.heard) {
				r.look(st, s)
			}
		}
	}
	return r.finish()
}

// newest is the moment of a call: that of its last conclusion, or of the snapshot.
func newest(events []bench.Event, s *bench.Snapshot) (at time.Time) {
	if s != nil {
		at = s.At
	}
	for i := range events {
		if c := events[i].Concluded; c.After(at) {
			at = c
		}
	}
	return at
}

// Reading judges one observation by the rules of draw. It costs a look-up where
// the station has none.
func (r *Rules) Reading(o *bench.Observation) []Change {
	st := r.stations[o.Station]
	if st == nil || len(st.draws) == 0 {
		return nil
	}
	p, ok := o.Fact.(bench.Power)
	if !ok || p.Channel != "" && p.Channel != bench.ChannelMain {
		return nil
	}
	amps, known := p.Amps.Get()
	if !known {
		return nil
	}
	if !r.judgeDraws(st, o.At, amps) {
		return nil
	}
	return r.finish()
}

// Trouble takes news of the bench itself.
func (r *Rules) Trouble(t Trouble) []Change {
	if t.At.IsZero() {
		t.At = t.Since
	}
	r.start(t.At)
	r.trouble(&t)
	return r.finish()
}

// Tick takes the time and what all stations look like: hold times end, and what
// no longer shows is over. Once a second or more often is enough.
func (r *Rules) Tick(now time.Time, all []bench.Snapshot) []Change {
	r.follow(now)
	if r.begun.IsZero() {
		r.begun = now
	}
	for i := range all {
		s := &all[i]
		if st := r.station(s.Station, s); st != nil && !s.At.Before(st.heard) {
			r.look(st, s)
		}
	}
	r.tidy()
	r.ticks = true
	defer func() { r.ticks = false }()
	return r.finish()
}

// Standing returns what has been told and stands, in the order in which it came.
func (r *Rules) Standing() (out []bench.Alert) {
	for _, e := range r.order {
		if e.told {
			out = append(out, e.alert)
		}
	}
	return out
}

// stepBack is how far time may go back before that is a step of the clock.
const stepBack = 2 * time.Second

// follow moves what waits along with a clock that was stepped back: otherwise an
// alert would wait for as long as the step.
func (r *Rules) follow(now time.Time) {
	if by := now.Sub(r.now); !r.now.IsZero() && by < -stepBack {
		for _, e := range r.order {
			e.due, e.up = e.due.Add(by), time.Time{}
		}
		for _, st := range r.stations {
			st.heard = time.Time{}
		}
		r.begun, r.now = r.begun.Add(by), now
	}
	r.start(now)
}

// start begins a call. Stations differ by fractions of a second: time does not
// go back for that.
func (r *Rules) start(at time.Time) {
	if at.After(r.now) {
		r.now = at
	}
}

// finish finds causes, tells what is due and hands out the changes of the call.
func (r *Rules) finish() []Change {
	if r.regroup {
		r.findCauses()
	}
	r.tell()
	out := r.out
	r.out = nil
	return out
}

// station finds a station; one that nobody configured is taken as it shows itself.
func (r *Rules) station(id string, s *bench.Snapshot) *station {
	if st := r.stations[id]; st != nil || s == nil || id == "" {
		return st
	}
	st := &station{Station: Station{ID: id, Name: s.Name, Port: s.Port, Profile: s.Profile, Window: s.Window}}
	st.configure(r.o.Draw)
	r.stations[id] = st
	return st
}
