package study

import (
	"math"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// scenario is one sort of life of a board. Play tells one episode of it; a job
// is episodes until its time is over.
type scenario struct {
	name    string
	weight  int // share of the station-hours, in thousandths
	profile string
	set     func(*rig) // wires the station, once
	play    func(*rig)
}

const (
	handset   = "invented-handset.yaml"
	sameIdent = "same-identity.yaml" // re-pairs under the identity of running
)

var scenarios = []scenario{
	{"window met", 40, handset, nil, windowMet},
	{"in use", 80, handset, nil, inUse},
	{"drops", 60, handset, nil, drops},
	{"dips", 60, handset, nil, dips},
	{"brown-outs", 40, handset, nil, brownOuts},
	{"timer resets", 30, handset, nil, timer},
	{"copy", 40, handset, nil, copying},
	{"restore", 330, handset, nil, restore},
	{"stalls", 90, handset, nil, stalls},
	{"restore drops", 60, handset, nil, restoreDrops},
	{"re-pairing", 40, sameIdent, nil, rePairing},
	{"silent re-pairing", 20, handset, nil, silentRePairing},
	{"sleep", 50, handset, nil, sleep},
	{"bus power", 20, handset, busPowered, busPower},
	{"battery", 20, handset, onBattery, battery},
	{"no readings", 10, handset, noReadings, battery},
	{"lost sight", 20, handset, nil, lostSight},
	{"drift", 20, handset, nil, drift},
	{"hung start", 10, handset, nil, hungStart},
	{"cable out", 20, handset, nil, cableOut},
	{"held reset", 10, handset, nil, heldResets},
	{"leak", 10, handset, nil, leak},
	{"stops", 20, handset, nil, stops},
}

// windowMet is a board that comes up and stays, also one that was up before.
func windowMet(r *rig) {
	if r.now == 0 && r.chance(0.2) {
		r.begin()
		r.origin()
		r.appear(asRunning)
		r.mode(bench.Running)
		r.use()
	} else {
		r.boot(asRunning)
	}
	r.live(r.between(215*second, 15*minute))
	r.stop()
}

// inUse is a board that stays up for long, with what is no drop: enumerating
// anew, and interruptions too short to reset anything.
func inUse(r *rig) {
	r.boot(asRunning)
	for range 4 + r.rng.IntN(12) {
		r.live(r.between(10*second, 8*minute))
		switch r.rng.IntN(3) {
		case 0:
			r.blink(r.between(300, 3500))
		case 1:
			r.hiccup()
		}
	}
	r.stop()
}

// blink takes the device off the bus for less than the gap of its mode, and
// nothing else.
func (r *rig) blink(away ms) {
	port := r.port
	r.vanish(r.noticed())
	r.play(away)
	r.appear(port.Product)
}

// hiccup is an interruption within one reading. The board lives on its
// capacitors.
func (r *rig) hiccup() {
	before := r.load
	r.draw(load{mean: 0, still: true})
	r.play(min(r.between(5, 90), ms(0.6*r.meter.period())))
	r.draw(before)
}

func drops(r *rig) {
	product := pick(r.rng, []uint16{asRunning, asRunning, asRunning, asRecovery, asLoader})
	r.boot(product)
	r.stay(product, r.random(4*minute))
	if r.chance(0.5) {
		r.die()
		return
	}
	r.reset(r.between(300, 20*second), product)
	r.stay(product, r.between(20*second, 2*minute))
	r.stop()
}

func (r *rig) stay(product uint16, d ms) {
	if product == asRunning {
		r.live(d)
		return
	}
	r.play(d)
}

func dips(r *rig) {
	product := pick(r.rng, []uint16{asRunning, asRunning, asRecovery, asRestoring})
	r.boot(product)
	for range 1 + r.rng.IntN(5) {
		switch product {
		case asRestoring:
			r.progress(r.random(3 * minute))
			r.flow.force = false
		default:
			r.stay(product, r.random(3*minute))
		}
		r.reset(r.between(200, 2000), product)
	}
	r.stay(product, 20*second)
	r.stop()
}

func brownOuts(r *rig) {
	r.boot(asRunning)
	for range 1 + r.rng.IntN(3) {
		r.live(r.random(3 * minute))
		if r.meter.limit > 0 && r.chance(0.3) {
			r.collapse()
			r.live(r.random(minute))
		}
		r.brownOut(r.between(300, 3000), asRunning)
	}
	r.live(20 * second)
	r.stop()
}

// timer is a board that misses a sensor: common practice is that it resets
// about three minutes after its system starts.
func timer(r *rig) {
	r.true.Regular = true
	at := r.between(176*second, 184*second)
	r.boot(asRunning)
	for {
		r.live(at + ms(700*r.rng.NormFloat64()))
		if r.left() < 10*minute {
			break
		}
		r.reset(r.between(300, 900), asRunning)
	}
	r.stop()
}

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
		switch r.rng.IntN(6) {
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

// sleep shares its identity with running.
func sleep(r *rig) {
	r.boot(asRunning)
	for range 2 + r.rng.IntN(6) {
		r.live(r.between(20*second, 4*minute))
		r.asleep(r.between(30*second, 12*minute))
	}
	if r.chance(0.5) {
		r.fall(never)
		r.play(20 * second)
		return
	}
	r.live(20 * second)
	r.stop()
}

// asleep sleeps and wakes up for moments.
func (r *rig) asleep(d ms) {
	level := load{mean: r.sleeping(), rel: 0.05, abs: 0.0005, still: true}
	r.flow = flow{}
	r.mode(bench.Asleep)
	for end := r.now + d; r.now < end; {
		r.draw(level)
		r.play(min(r.between(5*second, 90*second), end-r.now))
		if r.chance(0.6) && r.now < end { // a wake-up
			r.mode(bench.Asleep, bench.Running)
			r.draw(load{mean: r.board.running, rel: 0.1})
			r.play(min(r.between(200, 2500), end-r.now))
			r.draw(level)
			r.play(min(2*second, max(end-r.now, 0)))
			r.mode(bench.Asleep)
		}
	}
	r.mode(bench.Running)
}

// sleeping is the current asleep; below what a coarse instrument can show there
// would be nothing to see.
func (r *rig) sleeping() float64 {
	if r.coarse() {
		return max(r.board.asleep, 0.017)
	}
	return max(r.board.asleep, 0.006)
}

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
