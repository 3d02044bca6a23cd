package study

import (
	"math"
	"math/rand/v2"

	"benchvigil/internal/bench"
)

// Products of the invented family, as in its profile.
const (
	asLoader    uint16 = 1
	asRecovery  uint16 = 2
	asRestoring uint16 = 3
	asRunning   uint16 = 4
)

// levels are one board's own mean currents, amperes. They lie anywhere in the
// bands of its family, now and then at an edge.
type levels struct {
	off, standby, starting, loader, recovery, restoring, repairing, running, asleep float64
}

func newLevels(rng *rand.Rand) levels {
	in := func(low, high float64) float64 {
		switch rng.IntN(16) {
		case 0:
			return low
		case 1:
			return high
		}
		return low * math.Pow(high/low, rng.Float64())
	}
	b := levels{
		off: 0.001 * rng.Float64(), standby: in(0.004, 0.018), starting: in(0.2, 0.8), loader: in(0.06, 0.13),
		recovery: in(0.28, 0.52), restoring: in(0.3, 1.1), repairing: in(0.28, 0.9), running: in(0.11, 1.1),
	}
	b.asleep = min(in(0.006, 0.05), 0.4*b.running)
	return b
}

// dark is a board without power.
func (r *rig) dark() {
	r.mode(bench.Off)
	r.draw(load{mean: r.board.off, abs: 0.0001, still: true})
	r.flow = flow{}
}

// ready is a board with power that was not started.
func (r *rig) ready() {
	mean, also := r.board.standby, []bench.Mode(nil)
	if r.coarse() {
		also = []bench.Mode{bench.Off} // 10 mA steps do not tell
	}
	r.mode(bench.Standby, also...)
	r.draw(load{mean: mean, rel: 0.03, abs: 0.0003, still: true})
	r.flow = flow{}
}

func (r *rig) coarse() bool { return r.meter.step > 1000 }

// begin starts a run: the board draws current from now on.
func (r *rig) begin() {
	r.true.Runs = append(r.true.Runs, run{Start: r.now, Origin: never, End: never})
}

func (r *rig) run() *run { return &r.true.Runs[len(r.true.Runs)-1] }

// origin is the end of starting: the window counts from here.
func (r *rig) origin() {
	if n := len(r.true.Runs); n > 0 && r.run().Origin == never {
		r.run().Origin = r.now
	}
}

// start lets the board start, with its usual ups and downs.
func (r *rig) start(d ms) {
	r.begin()
	r.mode(bench.Starting)
	r.booting(d)
}

// booting plays the current of a start.
func (r *rig) booting(d ms) {
	r.flow = flow{}
	for end := r.now + d; r.now < end; {
		r.draw(load{mean: r.board.starting * (0.7 + 0.6*r.rng.Float64()), rel: 0.15, bursts: 0.3 * r.rng.Float64()})
		r.play(min(r.between(second, 8*second), end-r.now))
	}
}

// boot takes a board from nothing to an identity on the bus.
func (r *rig) boot(product uint16) {
	r.dark()
	r.play(r.between(2*second, 20*second))
	if r.chance(0.7) {
		r.ready()
		r.play(r.between(2*second, 30*second))
	}
	r.start(r.between(6*second, 50*second))
	r.show(product)
}

// show enumerates the board in the mode of its product.
func (r *rig) show(product uint16) {
	r.origin()
	r.appear(product)
	switch product {
	case asLoader:
		r.mode(bench.Loader)
		r.draw(load{mean: r.board.loader, rel: 0.03})
		r.flow = flow{rate: 3, idle: 0.3, busy: 0.1}
	case asRecovery:
		r.mode(bench.Recovery)
		r.draw(load{mean: r.board.recovery, rel: 0.07})
		r.flow = flow{rate: 8, idle: 0.2, busy: 0.3}
	case asRestoring:
		r.mode(bench.Restoring)
		r.work()
	case asRunning:
		r.mode(bench.Running)
		r.use()
	}
}

// work is a restore that moves. Now and then it moves by its current alone or by
// its traffic alone.
func (r *rig) work() {
	if r.tallies && r.chance(0.1) {
		r.trickle()
		return
	}
	r.draw(load{
		mean: clamp(r.board.restoring*(0.6+0.8*r.rng.Float64()), 0.25, 1.2), rel: 0.05 + 0.2*r.rng.Float64(), bursts: 0.4 * r.rng.Float64(),
	})
	if !r.tallies { // the current must do
		r.load.mean, r.load.rel, r.load.bursts = min(r.load.mean, 0.9), 0.2, 0.4+0.4*r.rng.Float64()
	}
	r.flow = flow{rate: 10 * math.Pow(100, r.rng.Float64()), idle: 0.02 + 0.2*r.rng.Float64(), busy: 0.1 + 0.5*r.rng.Float64(), going: true}
}

// trickle moves by its traffic alone, and that in bursts with long pauses.
func (r *rig) trickle() {
	r.draw(load{mean: clamp(r.board.restoring*(0.5+0.4*r.rng.Float64()), 0.22, 1.5), rel: 0.005 + 0.03*r.rng.Float64(), still: true})
	r.flow = flow{rate: 15 * math.Pow(30, r.rng.Float64()), idle: 0.6, busy: 0.03 + 0.1*r.rng.Float64(), going: true}
}

// use is a board that runs and does this and that.
func (r *rig) use() {
	r.draw(load{
		mean: clamp(r.board.running*math.Exp(0.25*r.rng.NormFloat64()), 0.1, 1.6), rel: 0.02 + 0.12*r.rng.Float64(), bursts: 0.4 * r.rng.Float64(),
	})
	r.flow = flow{rate: 1 + 20*r.rng.Float64(), idle: 0.5, busy: 0.1, going: true}
}

// live plays a board that runs.
func (r *rig) live(d ms) {
	for end := r.now + d; r.now < end; {
		r.use()
		r.play(min(r.between(3*second, 60*second), end-r.now))
	}
}

// progress plays a restore that moves, and ends with something that moves.
func (r *rig) progress(d ms) {
	for end := r.now + d; r.now < end; {
		r.work()
		r.play(min(r.between(5*second, 60*second), end-r.now))
	}
	r.flow.force = true
	r.play(2500)
}

// pause plays a restore in which nothing moves.
func (r *rig) pause(d ms) {
	r.rest()
	r.play(d)
	r.work()
	r.flow.force = true
	r.play(2500)
	r.flow.force = false
}

// rest stops what moves in a restore: the board waits, its traffic is a few
// URBs that mean nothing at most.
func (r *rig) rest() {
	l := load{mean: clamp(r.board.restoring*(0.4+0.4*r.rng.Float64()), 0.22, 1.5), rel: 0.004 + 0.02*r.rng.Float64(), still: true}
	if r.chance(0.4) {
		l.from, l.tau = r.load.mean, 3+20*r.rng.Float64()
	}
	r.draw(l)
	r.flow = flow{}
	if r.chance(0.4) {
		r.flow.alive = 5 + 25*r.rng.Float64()
	}
}

// again is an absence from the bus with power held, after which the board shows
// another identity or the same.
func (r *rig) again(away ms, product uint16, also ...bench.Mode) {
	from := r.now
	last := r.true.Spans[len(r.true.Spans)-1].Mode
	r.restarts()
	r.vanish(r.noticed())
	if last == bench.Restoring || last == bench.RePairing {
		r.mode(last, append(also, bench.Starting)...)
	} else { // it starts another system
		r.mode(bench.Starting, append(also, last)...)
	}
	if r.chance(0.3) { // it holds its breath, too short for a drop
		r.draw(load{mean: 0.05 + 0.05*r.rng.Float64(), rel: 0.05})
		r.play(min(r.between(50, 400), away))
	}
	r.booting(max(away-(r.now-from), 0))
	r.show(product)
}

// restarts writes a planned restart down, in a mode that has them.
func (r *rig) restarts() {
	switch r.true.Spans[len(r.true.Spans)-1].Mode {
	case bench.Recovery, bench.Restoring, bench.RePairing:
		r.true.Restarts = append(r.true.Restarts, r.now)
	}
}

// tells is how soon the kernel says that a device without power left: hubs tell
// late now and then, and no reading waits for it.
func (r *rig) tells() ms {
	if r.rng.IntN(40) == 0 {
		return r.between(900, 2800)
	}
	return r.noticed()
}

// noticed is how soon the kernel says that a device left.
func (r *rig) noticed() ms {
	switch r.rng.IntN(20) {
	case 0:
		return r.between(300, 900)
	case 1, 2, 3:
		return r.between(60, 300)
	}
	return r.between(2, 60)
}

func clamp(x, low, high float64) float64 { return min(max(x, low), high) }
