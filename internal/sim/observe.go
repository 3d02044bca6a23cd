package sim

import (
	"slices"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// trafficEvery is how often the traffic is counted.
const trafficEvery = time.Second

// Observe tells a story as a perfect bench would see it: a reading every
// period, USB changes and marks when they happen, traffic once a second, and
// the end. Station is the ID to use, port the port path.
func Observe(sc *Scenario, station, port string, start time.Time, period time.Duration) []bench.Observation {
	o := observer{sc: sc, station: station, port: port, start: start}
	o.boundaries()
	o.readings(period)
	o.traffic()
	slices.SortStableFunc(o.out, func(a, b bench.Observation) int { return a.At.Compare(b.At) })
	o.add(sc.Length(), bench.Clock{End: true})
	return o.out
}

type observer struct {
	sc            *Scenario
	station, port string
	start         time.Time
	out           []bench.Observation
}

func (o *observer) add(at time.Duration, f bench.Fact) {
	o.out = append(o.out, bench.Observation{At: o.start.Add(at), Station: o.station, Fact: f})
}

// boundaries adds what happens when one phase gives way to the next.
func (o *observer) boundaries() {
	var at time.Duration
	var on bench.USBID
	if o.sc.Phases[0].ID == on && o.sc.Hookup.USB {
		o.add(0, bench.USB{Change: bench.USBRemove, Port: o.port})
	}
	for _, p := range o.sc.Phases {
		if p.ID != on && on != (bench.USBID{}) {
			o.add(at, bench.USB{Change: bench.USBRemove, Port: o.port})
		}
		if p.ID != on && p.ID != (bench.USBID{}) {
			o.add(at, bench.USB{Change: bench.USBAdd, Port: o.port, ID: p.ID})
		}
		if p.Mark != nil {
			o.add(at, *p.Mark)
		}
		on = p.ID
		at += p.For
	}
}

func (o *observer) readings(period time.Duration) {
	if o.sc.Hookup.Path != bench.FromSupply {
		return
	}
	for at := time.Duration(0); at < o.sc.Length(); at += period {
		if r := o.sc.Read(at); !r.Silent {
			o.add(at, bench.Power{Volts: unit.Some(r.Volts), Amps: unit.Some(r.Amps)})
		}
	}
}

func (o *observer) traffic() {
	for at := time.Duration(0); at < o.sc.Length(); at += trafficEvery {
		if o.sc.ID(at) != (bench.USBID{}) {
			o.add(at, bench.Traffic{URBs: o.sc.URBs(at)})
		}
	}
}
