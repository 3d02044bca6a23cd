package study

import "benchvigil/internal/bench"

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
		if r.chance(0.2) {
			r.flicker(r.between(200, 800))
			continue
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
