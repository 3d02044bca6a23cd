// Package sim owns a bench that is not there: scripted boards whose current,
// USB identity and traffic follow a story. It makes recordings of them and, in
// its subpackages, plays them through an in-process USB bus, a SCPI server and
// a USB/IP device, so that demo and tests use the same stories. Names, ids and
// stories are invented. It knows nothing of how they are watched.
package sim

import (
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Scenario is one story of one board on one station.
type Scenario struct {
	Name   string // "window-met"
	Title  string // what the station is called in the demo
	Story  string // one sentence
	Hookup bench.Hookup
	Phases []Phase
	Expect []Expected // the events that it must give, in the order of their conclusion
}

// Phase is a stretch of the story in which the board does one thing.
type Phase struct {
	For    time.Duration
	Amps   unit.Current // mean
	Ripple unit.Current // how far it swings while the board works
	Volts  unit.Voltage // 0: the usual 3.8 V
	ID     bench.USBID  // on the port; the zero ID is an empty port
	URBs   uint64       // traffic per second
	Silent bool         // the supply does not answer
	Mark   *bench.Mark  // made at the beginning
}

// Expected is one event of the script.
type Expected struct {
	Type bench.EventType
	At   time.Duration // when it happens, from the beginning
	To   bench.Mode    // the mode entered, for mode changes
	Kind string
}

// Length is how long the story takes.
func (s *Scenario) Length() (d time.Duration) {
	for _, p := range s.Phases {
		d += p.For
	}
	return d
}

// phase finds the phase at a moment, and how far into it the moment is.
func (s *Scenario) phase(at time.Duration) (Phase, time.Duration) {
	for _, p := range s.Phases {
		if at < p.For {
			return p, at
		}
		at -= p.For
	}
	last := s.Phases[len(s.Phases)-1]
	return last, last.For + at
}

// Reading is what the supply would show.
type Reading struct {
	Volts  unit.Voltage
	Amps   unit.Current
	Silent bool
}

// Read is the reading at a moment. The noise is a function of the moment, so
// the same story always reads the same.
func (s *Scenario) Read(at time.Duration) Reading {
	p, into := s.phase(at)
	volts := p.Volts
	if volts == 0 {
		volts = usualVolts
	}
	r := Reading{Volts: volts, Amps: p.Amps, Silent: p.Silent}
	if p.Ripple > 0 {
		r.Amps += work(into, p.Ripple) + noise(at)
	}
	r.Amps = max(r.Amps, 0).Round(100 * unit.Microampere)
	return r
}

const usualVolts = 3800 * unit.Millivolt

// URBs is the traffic count at a moment: ten from enumeration, then the rate.
func (s *Scenario) URBs(at time.Duration) uint64 {
	var n uint64
	var on bench.USBID
	for _, p := range s.Phases {
		if p.ID != on {
			on, n = p.ID, 10
		}
		d := min(at, p.For)
		n += uint64(d.Seconds() * float64(p.URBs))
		if at -= p.For; at <= 0 {
			break
		}
	}
	return n
}

// ID is what stands on the port at a moment; the zero ID is nothing.
func (s *Scenario) ID(at time.Duration) bench.USBID {
	p, _ := s.phase(at)
	return p.ID
}

// work is how a board's current moves while it computes: two slow swings that
// do not repeat together, and steps.
func work(at time.Duration, ripple unit.Current) unit.Current {
	swing := triangle(at, 3700*time.Millisecond) + triangle(at, 1100*time.Millisecond)/2
	if hash(uint64(at/(2*time.Second)))%3 == 0 {
		swing += 300
	}
	return ripple * unit.Current(swing) / 1800
}

// triangle swings between -1000 and 1000 with the given period.
func triangle(at, period time.Duration) int64 {
	x := int64(at % period * 4000 / period)
	switch {
	case x < 1000:
		return x
	case x < 3000:
		return 2000 - x
	}
	return x - 4000
}

// noise is the instrument's: within 1.5 mA.
func noise(at time.Duration) unit.Current {
	return unit.Current(hash(uint64(at))%3001) - 1500
}

// hash is the finaliser of splitmix64 (Steele, Lea and Flood 2014), from memory.
func hash(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}
