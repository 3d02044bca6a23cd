package study

import (
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

func busPowered(r *rig) {
	r.hookup.VBUS = true
	r.board.running = min(r.board.running, 0.5)
	if r.coarse() { // the band with bus power begins at nothing
		r.meter.step = unit.Milliampere
	}
}

// busPower feeds the board too: the supply's current may fall to nothing.
func busPower(r *rig) {
	r.boot(asRunning)
	for range 1 + r.rng.IntN(4) {
		r.draw(load{mean: clamp(r.board.running*(0.3+r.rng.Float64()), 0.05, 0.55), rel: 0.1})
		r.play(r.between(20*second, 3*minute))
		r.draw(load{mean: r.board.off, abs: 0.0001, still: true})
		r.play(r.between(10*second, 3*minute))
	}
	if r.chance(0.5) {
		r.draw(load{mean: r.board.running, rel: 0.1})
		r.play(20 * second)
	}
	r.fall(never)
	r.play(r.between(20*second, 60*second))
}

func onBattery(r *rig) { r.hookup.Path = bench.FromBattery }

func noReadings(r *rig) { r.silent = true }

// battery is followed by the bus alone.
func battery(r *rig) {
	if r.now == 0 {
		r.tell(bench.USB{Change: bench.USBRemove, Port: "1-2"})
	}
	r.unknown()
	r.play(r.between(10*second, 90*second))
	r.begin()
	r.origin()
	r.appear(asRecovery)
	r.mode(bench.Recovery)
	r.flow = flow{rate: 8, idle: 0.2, busy: 0.3}
	r.play(r.between(10*second, 60*second))
	r.rename(asRestoring)
	r.restoring(r.between(2*minute, 20*minute))
	gap := 60 * second
	if r.chance(0.5) {
		r.blinkTo(asRunning, r.between(2*second, 55*second))
		r.live(r.between(30*second, 5*minute))
		gap = 4 * second
	}
	r.lose(never, byLink, bench.LinkLost)
	r.lost().Within = gap + 30*second
	r.lost().Gap = gap
	r.vanish(r.noticed())
	r.unknown()
	r.play(r.between(70*second, 2*minute))
}

// blinkTo leaves a restore for running, known by the bus alone.
func (r *rig) blinkTo(product uint16, away ms) {
	r.restarts()
	r.vanish(r.noticed())
	r.mode(bench.Restoring, bench.Starting)
	r.play(away)
	r.show(product)
}

func (r *rig) unknown() {
	r.mode(bench.Unknown)
	r.true.Spans[len(r.true.Spans)-1].Unknown = true
}

// lostSight is an instrument that falls silent or starts anew; sometimes the
// board dies meanwhile.
func lostSight(r *rig) {
	r.boot(asRunning)
	for range 1 + r.rng.IntN(4) {
		r.live(r.between(20*second, 4*minute))
		if r.chance(0.3) {
			r.busHidden(r.between(2*second, 30*second))
			continue
		}
		r.tell(bench.Supply{Change: bench.Lost, Error: "connection reset by peer"})
		r.silent = true
		r.play(r.between(500, 40*second))
		if r.chance(0.25) { // the instrument took the board with it
			r.lose(never, unseen, bench.Died, bench.LinkLost, bench.Reset, bench.BrownOut)
			r.lost().Within = 60 * second
			r.vanish(r.noticed())
			r.dark()
			r.true.Spans[len(r.true.Spans)-1].Unknown = true
			r.play(r.between(500, 10*second))
			r.sight()
			r.dark()
			r.play(15 * second)
			return
		}
		r.sight()
		r.play(second)
	}
	r.stop()
}

// busHidden is a USB watch that fails for a time; the board goes on.
func (r *rig) busHidden(d ms) {
	counted := r.tallies
	r.tallies = false
	r.tell(bench.USBSource{Change: bench.Lost, Error: "netlink: no buffer space"})
	r.play(d)
	r.tell(bench.USBSource{Change: bench.Back})
	r.tell(bench.USB{Change: bench.USBAdd, Port: "1-2", ID: r.port})
	r.tallies, r.count = counted, r.now+second
}

func (r *rig) sight() {
	r.silent = false
	r.tell(bench.Supply{Change: bench.Back})
}

// drift is a steady board whose current creeps away from where it was.
func drift(r *rig) {
	r.boot(pick(r.rng, []uint16{asRecovery, asLoader}))
	l := r.load
	r.play(r.between(2*minute, 8*minute))
	r.true.Drifts = append(r.true.Drifts, r.now)
	l.from, l.tau = l.mean, 60+600*r.rng.Float64()
	l.mean *= pick(r.rng, []float64{0.6, 0.7, 1.3, 1.5})
	r.draw(l)
	r.play(r.between(10*minute, 25*minute))
	r.stop()
}

// hungStart never gets to an identity; others need nearly as long as they may.
func hungStart(r *rig) {
	r.dark()
	r.play(r.between(5*second, 20*second))
	r.ready()
	r.play(r.between(3*second, 20*second))
	if r.chance(0.5) {
		at := r.now + 60*second
		r.start(r.between(75*second, 4*minute))
		r.true.Hung = append(r.true.Hung, at)
		r.fall(never)
		r.play(20 * second)
		return
	}
	r.start(r.between(40*second, 57*second))
	r.show(asRunning)
	r.live(r.between(20*second, 4*minute))
	r.stop()
}

// cableOut pulls the cable while the power holds, and plugs it in again.
func cableOut(r *rig) {
	r.boot(asRunning)
	for range 1 + r.rng.IntN(4) {
		r.steady(r.between(30*second, 4*minute))
		r.vanish(r.noticed())
		if r.chance(0.2) { // nothing keeps its screen on any more
			r.play(r.between(second, 5*second))
			r.draw(load{mean: max(r.board.running*(0.5+0.3*r.rng.Float64()), 0.09), rel: 0.03})
		}
		r.play(r.between(2*second, 90*second))
		r.appear(asRunning)
	}
	r.steady(20 * second)
	r.stop()
}

// steady is a board that runs and does little.
func (r *rig) steady(d ms) {
	r.flow = flow{rate: 3, idle: 0.4, busy: 0.1}
	r.draw(load{mean: r.board.running, rel: 0.03})
	r.play(d)
}

func heldResets(r *rig) {
	r.boot(asRunning)
	for range 1 + r.rng.IntN(3) {
		r.steady(r.random(4 * minute))
		r.heldReset()
	}
	r.steady(30 * second)
	r.stop()
}

// leak draws too much for a board that was not started, and too little for one
// that was.
func leak(r *rig) {
	r.dark()
	r.play(r.between(5*second, 20*second))
	usual := r.board.standby
	r.board.standby = 0.0225 + 0.004*r.rng.Float64()
	r.true.Leaks = append(r.true.Leaks, r.now)
	r.ready()
	r.play(r.between(2*minute, 15*minute))
	r.board.standby = usual
}

// stops are runs that a person ends, also after the fact.
func stops(r *rig) {
	r.boot(asRunning)
	r.live(r.between(10*second, 5*minute))
	switch r.rng.IntN(3) {
	case 0: // pulled, and said so afterwards
		r.fall(never)
		r.play(r.between(4*second, 50*second))
		r.tell(bench.Mark{By: "kim", Kind: bench.MarkStop})
		r.play(5 * second)
	case 1: // while somebody is at it
		r.tell(bench.Mark{By: "kim", Kind: bench.MarkHandsOn})
		r.play(r.between(second, 20*second))
		r.true.Stops = append(r.true.Stops, r.now)
		r.closeRun()
		r.vanish(r.noticed())
		r.dark()
		r.play(r.between(3*second, 20*second))
		r.tell(bench.Mark{By: "kim", Kind: bench.MarkHandsOff})
	default:
		r.stop()
	}
}

// switched is the supply's output switch.
func (r *rig) switched(on bool) { r.output = unit.Some(on) }
