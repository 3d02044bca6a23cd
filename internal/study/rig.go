package study

import (
	"fmt"
	"math/rand/v2"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// epoch is where every job begins.
var epoch = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// Station is the name of the station, in every job.
const Station = "s1"

// rig is an invented station: a board, its supply and its port. Scenarios move
// it through time; it emits what would have been observed, in order, and writes
// down what is true.
type rig struct {
	rng    *rand.Rand
	hookup bench.Hookup
	emit   func(bench.Observation)
	true   truth
	now    ms

	meter   meter
	silent  bool // the instrument says nothing
	noise   noise
	load    load
	since   ms      // of the load
	was     float64 // true current just before it
	drawn   float64
	sag     float64 // volts pulled down to this, 0 not at all
	output  unit.Maybe[bool]
	slot    int64 // number of the next reading
	reading ms    // its moment
	proof   ms    // the last reading
	open    int   // index+1 of the drop that is under way

	port    bench.USBID
	on      bool // something stands on the port
	late    []pending
	tallies bool // traffic is counted
	flow    flow
	urbs    uint64
	idle    int // traffic counts since something went on
	count   ms  // moment of the next traffic count

	board levels
	ends  ms // of the job
}

// pending is news of the port that is on its way.
type pending struct {
	at   ms
	fact bench.Fact
}

// flow is what goes over the bus, a second at a time.
type flow struct {
	rate  float64 // URBs a second while something goes on
	idle  float64 // chance that a busy time ends, each second
	busy  float64 // chance that an idle time ends, each second
	alive float64 // seconds between a few URBs that mean nothing, 0 none
	going bool
	force bool // something goes on for certain
}

func newRig(rng *rand.Rand, ends ms, emit func(bench.Observation)) *rig {
	r := &rig{
		rng: rng, emit: emit, meter: newMeter(rng), ends: ends, tallies: rng.IntN(12) != 0,
		hookup: bench.Hookup{Path: bench.FromSupply, USB: true},
	}
	r.noise = newNoise(rng, r.meter.rate)
	r.board = newLevels(rng)
	r.count = ms(rng.IntN(1000))
	r.next()
	return r
}

// conditions names what the station is watched with, and its noise.
func (r *rig) conditions() []string {
	m := &r.meter
	lost, wrong := "no reading lost", "no wrong reading"
	switch {
	case m.lost > 0.02 || m.burst > 0.0005:
		lost = "up to 10 % of the readings lost"
	case m.lost > 0:
		lost = "up to 2 % of the readings lost"
	}
	if m.glitch > 0 {
		wrong = "wrong readings, up to 1 %"
	}
	out := []string{
		fmt.Sprintf("%g readings/s", m.rate), fmt.Sprintf("steps of %d mA", m.step/unit.Milliampere), lost, wrong, "noise: " + shapeNames[r.noise.shape],
	}
	if r.hookup.Path == bench.FromBattery || r.silent {
		out = []string{"no readings at all"}
	}
	if !r.tallies {
		out = append(out, "no traffic count")
	}
	return out
}

// left is how much of the job is left.
func (r *rig) left() ms { return r.ends - r.now }

// between draws a length of time, evenly.
func (r *rig) between(a, b ms) ms { return a + ms(r.rng.Float64()*float64(b-a)) }

// random draws the time to a fault that strikes at random.
func (r *rig) random(mean ms) ms {
	return min(10*second+ms(float64(mean)*r.rng.ExpFloat64()), 40*minute)
}

func (r *rig) chance(p float64) bool { return r.rng.Float64() < p }

// mode writes down what the board does from now on.
func (r *rig) mode(m bench.Mode, also ...bench.Mode) {
	if n := len(r.true.Spans); n > 0 {
		last := &r.true.Spans[n-1]
		last.To = r.now
		if last.From == r.now {
			r.true.Spans = r.true.Spans[:n-1]
		}
	}
	r.true.Spans = append(r.true.Spans, span{From: r.now, To: never, Mode: m, Also: also})
}

// draw sets what the board draws from now on.
func (r *rig) draw(l load) {
	r.was, r.load, r.since = r.drawn, l, r.now
}

// next plans the next reading.
func (r *rig) next() {
	at := (float64(r.slot) + r.meter.jitter*(r.rng.Float64()-0.5)) * r.meter.period()
	r.slot++
	r.reading = max(ms(at), r.reading+1)
}

// play lets time pass.
func (r *rig) play(d ms) {
	end := r.now + max(d, 0)
	for {
		at := min(end, r.reading)
		if r.on && r.tallies && len(r.late) == 0 {
			at = min(at, r.count)
		}
		if len(r.late) > 0 {
			at = min(at, r.late[0].at)
		}
		if at >= end {
			break
		}
		r.now = max(at, r.now)
		switch {
		case len(r.late) > 0 && r.late[0].at <= r.now:
			r.deliver()
		case r.reading <= r.now:
			r.read()
			r.next()
		default:
			r.traffic()
		}
	}
	r.now = end
	for r.reading < end { // only when nothing was played
		r.next()
	}
}

func (r *rig) tell(f bench.Fact) {
	r.emit(bench.Observation{At: epoch.Add(time.Duration(r.now) * time.Millisecond), Station: Station, Fact: f})
}

// read takes one reading.
func (r *rig) read() {
	since := r.now - r.since
	x := r.noise.draw(&r.load, float64(since)/1000)
	r.drawn = x
	whole := since >= r.meter.aperture
	if !whole { // a part of the average is what was before
		w := float64(since) / float64(r.meter.aperture)
		x = w*x + (1-w)*r.was
	}
	if r.silent || r.hookup.Path == bench.FromBattery {
		return
	}
	if r.meter.fails() {
		if r.meter.null {
			r.tell(bench.Power{})
		}
		return
	}
	r.witness(whole)
	r.proof = r.now
	r.tell(r.power(x))
}

// witness counts what the instrument shows of a drop.
func (r *rig) witness(whole bool) {
	if r.open == 0 {
		return
	}
	d := &r.true.Drops[r.open-1]
	switch {
	case r.now >= d.Back:
		d.End, r.open = r.now, 0
	case whole:
		if d.Seen == 0 {
			d.First = r.now
		}
		d.Seen++
		d.End = r.now
		if d.Seen > 64 {
			r.open = 0
		}
	}
}

func (r *rig) power(x float64) bench.Power {
	m := &r.meter
	amps := m.reading(x, r.now)
	volts := m.setting - unit.FromVolts(m.resistance*x+0.003*(r.rng.Float64()-0.5))
	if r.sag > 0 {
		volts = unit.FromVolts(r.sag * (1 + 0.01*r.rng.Float64()))
	}
	p := bench.Power{Volts: unit.Some(volts), Amps: unit.Some(amps), Output: r.output}
	if m.limit > 0 {
		p.LimitAmps, p.SetVolts = unit.Some(m.limit), unit.Some(m.setting)
	}
	return p
}

// deliver tells the next news of the port.
func (r *rig) deliver() {
	f := r.late[0].fact
	r.late = r.late[1:]
	r.tell(f)
}

// soon lets news of the port arrive after a delay, behind what is on its way.
func (r *rig) soon(delay ms, f bench.Fact) {
	at := r.now + delay
	if n := len(r.late); n > 0 {
		at = max(at, r.late[n-1].at)
	}
	r.late = append(r.late, pending{at, f})
}

// appear puts a device on the port.
func (r *rig) appear(product uint16) {
	r.port, r.on, r.urbs = bench.USBID{Vendor: 0x1209, Product: product}, true, 0
	r.count = r.now + ms(r.rng.IntN(1000))
	r.soon(0, bench.USB{Change: bench.USBAdd, Port: "1-2", ID: r.port})
}

// vanish takes it away; the kernel notices after a delay.
func (r *rig) vanish(delay ms) {
	if !r.on {
		return
	}
	r.on = false
	r.soon(delay, bench.USB{Change: bench.USBRemove, Port: "1-2"})
}

// longestIdle is after how many seconds without traffic a restore that moves
// goes on for certain.
const longestIdle = 90

// traffic counts the URBs of the last second.
func (r *rig) traffic() {
	f := &r.flow
	if f.going && r.chance(f.idle) || !f.going && r.chance(f.busy) {
		f.going = !f.going
	}
	if r.idle++; r.idle > longestIdle && f.rate > 0 {
		f.going = true
	}
	switch {
	case f.rate > 0 && (f.going || f.force):
		r.idle = 0
		r.urbs += uint64(max(f.rate*(0.3+1.4*r.rng.Float64()), 1))
	case f.alive > 0 && r.chance(1/f.alive):
		r.urbs += 1 + r.rng.Uint64N(4)
	}
	r.tell(bench.Traffic{URBs: r.urbs})
	if r.chance(1.0 / 900) { // the source looked again
		r.tell(bench.USB{Change: bench.USBAdd, Port: "1-2", ID: r.port})
	}
	r.count += second
}
