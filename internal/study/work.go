package study

import (
	"math"

	"benchvigil/internal/bench"
)

// restore is one that completes: recovery, restoring with restarts and quiet
// times, running.
func restore(r *rig) {
	if r.now == 0 && r.chance(0.15) { // the watch begins in the middle of it
		r.begin()
		r.show(asRestoring)
	} else {
		r.boot(pick(r.rng, []uint16{asRecovery, asRecovery, asLoader, asRestoring}))
	}
	if r.port.Product != asRestoring {
		r.play(r.between(5*second, 60*second))
		if r.chance(0.5) {
			r.rename(asRestoring)
		} else {
			r.again(r.between(500, 40*second), asRestoring, bench.Restoring)
		}
	}
	r.restoring(r.between(10*minute, 70*minute))
	r.again(r.between(2*second, 55*second), asRunning, bench.Running)
	r.live(r.between(30*second, 5*minute))
	r.stop()
}

// rename changes the identity within a few seconds.
func (r *rig) rename(product uint16) {
	r.restarts()
	r.vanish(r.noticed())
	r.play(r.between(1000, 3000))
	r.show(product)
}

// restoring plays a restore that moves, with all that is no stall.
func (r *rig) restoring(d ms) {
	for end := r.now + d; r.now < end; {
		r.progress(r.between(20*second, 6*minute))
		r.flow.force = false
		switch r.rng.IntN(7) {
		case 6:
			if r.hookup.Path == bench.FromSupply && !r.silent {
				r.unpack(r.between(30*second, 6*minute))
			}
		case 0:
			r.pause(r.between(5*second, 60*second))
		case 1:
			r.pause(r.between(60*second, 116*second))
		case 2:
			r.again(r.between(500, 57*second), asRestoring)
		case 3:
			r.blink(r.between(300, 5000))
		}
	}
}

// unpack works without the bus: only the current moves.
func (r *rig) unpack(d ms) {
	r.flow = flow{}
	high := r.chance(0.5)
	for end := r.now + d; r.now < end; high = !high {
		l := load{mean: clamp(r.board.restoring*(0.5+0.2*r.rng.Float64()), 0.22, 0.8), rel: 0.1, bursts: 0.4 + 0.4*r.rng.Float64()}
		if high {
			l.mean *= 1.4
		}
		r.draw(l)
		r.play(min(r.between(5*second, 40*second), end-r.now))
	}
	r.work()
	r.flow.force = true
	r.play(2500)
	r.flow.force = false
}

// stalls is a restore that stands still for good, or until somebody acts.
func stalls(r *rig) {
	r.boot(pick(r.rng, []uint16{asRecovery, asRestoring}))
	if r.port.Product != asRestoring {
		r.play(r.between(5*second, 30*second))
		r.again(r.between(500, 20*second), asRestoring, bench.Restoring)
	}
	r.restoring(r.between(3*minute, 15*minute))
	r.progress(10 * second)
	r.flow.force = false
	r.true.Stalls = append(r.true.Stalls, stall{From: r.now, Quiet: 120 * second})
	r.rest()
	r.play(r.between(170*second, 10*minute))
	r.true.Stalls[len(r.true.Stalls)-1].To = r.now
	if r.chance(0.4) {
		r.work()
		r.progress(r.between(30*second, 5*minute))
		r.flow.force = false
	}
	r.stop()
}

// copying is a board that runs while its data is copied out, which somebody
// said. It may wait, and stand still for good.
func copying(r *rig) {
	r.tallies = true // without, nothing tells
	r.boot(asRunning)
	r.live(r.between(5*second, 30*second))
	r.tell(bench.Mark{By: "kim", Kind: bench.MarkArm, Text: "copy"})
	for range 2 + r.rng.IntN(5) {
		r.transfer(r.between(30*second, 8*minute))
		if r.chance(0.5) {
			r.idling(r.between(10*second, 110*second))
		}
	}
	if r.chance(0.5) {
		r.transfer(10 * second)
		r.true.Stalls = append(r.true.Stalls, stall{From: r.now, Quiet: 120 * second})
		r.idling(r.between(170*second, 10*minute))
		r.true.Stalls[len(r.true.Stalls)-1].To = r.now
		r.transfer(30 * second)
	}
	r.tell(bench.Mark{By: "kim", Kind: bench.MarkDone})
	r.live(20 * second)
	r.stop()
}

// transfer copies, and moves in its last second.
func (r *rig) transfer(d ms) {
	for end := r.now + d; r.now < end; {
		r.use()
		r.flow = flow{rate: 20 * math.Pow(50, r.rng.Float64()), idle: 0.02 + 0.1*r.rng.Float64(), busy: 0.1 + 0.5*r.rng.Float64(), going: true}
		r.play(min(r.between(5*second, 60*second), end-r.now))
	}
	r.flow.force = true
	r.play(2500)
	r.flow.force = false
}

// idling is a copy that waits. The board does what it likes meanwhile.
func (r *rig) idling(d ms) {
	r.use()
	r.flow = flow{}
	if r.chance(0.4) {
		r.flow.alive = 5 + 25*r.rng.Float64()
	}
	r.play(d)
}

func restoreDrops(r *rig) {
	r.boot(asRestoring)
	r.restoring(r.between(3*minute, 25*minute))
	switch r.rng.IntN(3) {
	case 0:
		r.pauseAndFall()
	case 1:
		r.die()
		return
	default:
		r.reset(r.between(300, 5000), asRestoring)
	}
	r.restoring(r.between(1*minute, 5*minute))
	r.stop()
}

// pauseAndFall drops in a quiet time.
func (r *rig) pauseAndFall() {
	r.rest()
	r.play(r.between(5*second, 60*second))
	r.reset(r.between(300, 3000), asRestoring)
}

// rePairing goes on under the identity of running, without traffic for 15
// minutes and more.
func rePairing(r *rig) {
	r.boot(asRunning)
	r.live(r.between(20*second, 2*minute))
	also := []bench.Mode{bench.Running}
	if !r.tallies || r.chance(0.7) { // without a mark the silent bus must tell
		r.tell(bench.Mark{By: "kim", Kind: bench.MarkScreen, Text: string(bench.ScreenRepair)})
		also = nil
	}
	r.mode(bench.RePairing, also...)
	r.pairing(r.between(16*minute, 40*minute))
	r.again(r.between(2*second, 30*second), asRunning, bench.Running)
	r.true.Spans[len(r.true.Spans)-1].Also = []bench.Mode{bench.RePairing}
	r.live(r.between(30*second, 3*minute))
	r.stop()
}

// pairing is a board that works by itself: lively, now and then quiet for
// minutes, nothing on the bus.
func (r *rig) pairing(d ms) {
	r.flow = flow{}
	for end := r.now + d; r.now < end; {
		r.draw(load{mean: clamp(r.board.repairing*(0.8+0.4*r.rng.Float64()), 0.25, 1.1), rel: 0.05 + 0.15*r.rng.Float64(), bursts: 0.4 * r.rng.Float64()})
		r.play(min(r.between(5*second, 90*second), end-r.now))
		if r.chance(0.2) {
			r.draw(load{mean: clamp(0.7*r.board.repairing, 0.22, 1.1), rel: 0.01, still: true})
			r.play(min(r.between(20*second, 6*minute), max(end-r.now, 0)))
		}
	}
}

// silentRePairing shows nothing on the bus meanwhile; somebody saw the prompt.
func silentRePairing(r *rig) {
	r.boot(asRecovery)
	r.play(r.between(10*second, 60*second))
	r.vanish(r.noticed())
	r.play(second)
	r.tell(bench.Mark{By: "kim", Kind: bench.MarkScreen, Text: string(bench.ScreenProgress)})
	r.mode(bench.RePairing)
	r.pairing(r.between(16*minute, 40*minute))
	r.show(asRunning)
	r.live(r.between(30*second, 3*minute))
	r.stop()
}
