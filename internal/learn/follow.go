package learn

import (
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

// Learner gathers what recordings show of one family.
type Learner struct {
	p     *profile.Profile
	modes map[bench.Mode]*shown
}

// shown is what was seen of one mode.
type shown struct {
	alone, withVBUS readings
	traffic         rates
	dwells          []time.Duration // finished ones
	absences        []time.Duration // followed by the same mode
	handled         int             // absences left out because a person marked them
}

type readings struct {
	amps    []float64 // in microamperes
	seconds int       // in which there was a reading
}

type rates struct {
	perSecond []float64
	over      time.Duration
}

// New returns a Learner that has seen nothing.
func New(p *profile.Profile) *Learner {
	return &Learner{p: p, modes: map[bench.Mode]*shown{}}
}

func (l *Learner) mode(m bench.Mode) *shown {
	if l.modes[m] == nil {
		l.modes[m] = &shown{}
	}
	return l.modes[m]
}

// Follower follows one station of one recording. It is not safe for
// concurrent use.
type Follower struct {
	l  *Learner
	st infer.Station
	e  *infer.Engine

	clock  bench.Steady
	line   timeline
	amps   []reading
	counts []counted

	present bool
	id      bench.USBID
	gone    unit.Maybe[time.Duration]
	last    unit.Maybe[count] // of the enumeration that stands
}

type reading struct {
	at   time.Duration
	amps unit.Current
}

// count is a count of URBs at a moment, counted the growth between two.
type count struct {
	at   time.Duration
	urbs uint64
}

type counted struct {
	from, to time.Duration
	urbs     uint64
}

// Follow returns a Follower of one station. Give it every observation with
// Step, then call Done.
func (l *Learner) Follow(st infer.Station) *Follower {
	return &Follower{l: l, st: st, e: infer.New(l.p, st)}
}

// Step takes one observation and returns what infer concludes from it.
func (f *Follower) Step(o bench.Observation) []bench.Event {
	f.observe(f.clock.Take(o), o.Fact)
	events := f.e.Step(o)
	f.conclude(events)
	return events
}

// Tick tells that time has passed and returns what infer concludes from that.
func (f *Follower) Tick(now time.Time) []bench.Event {
	events := f.e.Tick(now)
	f.conclude(events)
	return events
}

// Finish tells that the recording is over.
func (f *Follower) Finish() []bench.Event {
	events := f.e.Finish()
	f.conclude(events)
	return events
}

func (f *Follower) observe(t time.Duration, fact bench.Fact) {
	switch fact := fact.(type) {
	case bench.Power:
		if a, ok := fact.Amps.Get(); ok && (fact.Channel == "" || fact.Channel == bench.ChannelMain) {
			f.amps = append(f.amps, reading{t, a})
		}
	case bench.USB:
		f.usb(t, fact)
	case bench.Traffic:
		if last, ok := f.last.Get(); ok && fact.URBs >= last.urbs {
			f.counts = append(f.counts, counted{last.at, t, fact.URBs - last.urbs})
		}
		f.last = unit.Some(count{t, fact.URBs})
	case bench.Mark:
		f.line.hands.mark(t, fact)
	case bench.USBSource:
		if fact.Change == bench.Lost { // who knows how long the device was away
			f.gone, f.last = unit.Maybe[time.Duration]{}, unit.Maybe[count]{}
		}
	}
}

// usb notes absences, and that counts begin again with each enumeration.
func (f *Follower) usb(t time.Duration, u bench.USB) {
	switch {
	case u.Change == bench.USBAdd && (!f.present || f.id != u.ID):
		if gone, ok := f.gone.Get(); ok && !f.present {
			f.line.absences = append(f.line.absences, span{gone, t})
		}
		f.present, f.id, f.gone = true, u.ID, unit.Maybe[time.Duration]{}
	case u.Change == bench.USBRemove && f.present:
		f.present, f.gone = false, unit.Some(t)
	default:
		return
	}
	f.last = unit.Maybe[count]{}
}

// conclude keeps what infer says of modes and runs.
func (f *Follower) conclude(events []bench.Event) {
	for _, e := range events {
		t := f.clock.Since(e.Time)
		switch e.Type {
		case bench.ModeChanged:
			f.line.change(t, e.Data.To)
		case bench.RunDropped, bench.RunStopped:
			f.line.ends = append(f.line.ends, t)
		default: // says nothing of modes
		}
	}
}

// Done adds what the station showed to the Learner.
func (f *Follower) Done() {
	f.takeReadings()
	f.takeTraffic()
	for _, d := range f.line.dwells() {
		s := f.l.mode(d.mode)
		s.dwells = append(s.dwells, d.length)
	}
	for _, a := range f.line.gaps() {
		s := f.l.mode(a.mode)
		if a.handled {
			s.handled++
			continue
		}
		s.absences = append(s.absences, a.length)
	}
}

func (f *Follower) takeReadings() {
	if f.st.Hookup.Path == bench.FromBattery {
		return
	}
	var counted *readings
	second := time.Duration(-1)
	for _, r := range f.amps {
		m, ok := f.line.settled(r.at, r.at)
		if !ok {
			continue
		}
		into := &f.l.mode(m).alone
		if f.st.Hookup.VBUS {
			into = &f.l.mode(m).withVBUS
		}
		into.amps = append(into.amps, float64(r.amps))
		if now := r.at.Truncate(time.Second); now != second || into != counted {
			second, counted = now, into
			into.seconds++
		}
	}
}

// Counts further apart than this say nothing about a rate, and those closer
// than the other too little.
const (
	furthestCounts = 10 * time.Second
	closestCounts  = 500 * time.Millisecond
)

func (f *Follower) takeTraffic() {
	for _, c := range f.counts {
		m, ok := f.line.settled(c.from, c.to)
		over := c.to - c.from
		if !ok || over < closestCounts || over > furthestCounts {
			continue
		}
		s := f.l.mode(m)
		s.traffic.perSecond = append(s.traffic.perSecond, float64(c.urbs)/over.Seconds())
		s.traffic.over += over
	}
}
