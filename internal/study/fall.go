package study

import (
	"benchvigil/internal/bench"
)

// fall interrupts the power for a time, or for good with never, and writes the
// drop down. The board is dark until then.
func (r *rig) fall(back ms, kinds ...string) {
	r.lose(back, byCurrent, kinds...)
	r.dark()
	if r.hookup.VBUS { // there the bus must say it
		r.vanish(r.noticed())
	} else {
		r.vanish(r.tells())
	}
	if back != never {
		r.play(back)
	}
}

// lose writes down a drop that happens now.
func (r *rig) lose(back ms, c class, kinds ...string) {
	if len(kinds) == 0 {
		kinds = r.kinds(back)
	}
	d := drop{At: r.now, Back: never, Kinds: kinds, Rate: r.meter.rate, Class: c, Within: 10 * second}
	if back != never {
		d.Back = r.now + back
	}
	r.true.Drops = append(r.true.Drops, d)
	r.open = len(r.true.Drops)
	r.closeRun()
}

func (r *rig) closeRun() {
	if n := len(r.true.Runs); n > 0 && r.run().End == never {
		r.run().End, r.run().Proof = r.now, r.seen()
	}
}

// seen is the last moment at which anybody saw the board powered.
func (r *rig) seen() ms {
	if r.on && (r.hookup.Path == bench.FromBattery || r.proof == 0) {
		return r.now
	}
	return r.proof
}

// lost is the drop under way or the last one.
func (r *rig) lost() *drop { return &r.true.Drops[len(r.true.Drops)-1] }

// kinds are the words that fit an interruption of this length: its kind must be
// told before a longer one is over.
func (r *rig) kinds(back ms) []string {
	p := ms(r.meter.period())
	switch {
	case back+2*p <= max(700, 7*p/2):
		return []string{bench.Reset}
	case back >= max(1200, 6*p):
		return []string{bench.Died}
	}
	return []string{bench.Reset, bench.Died}
}

// die ends the board: it falls to nothing, or to standby.
func (r *rig) die() {
	if r.chance(0.6) {
		r.fall(never)
		r.play(r.between(30*second, 90*second))
		return
	}
	r.lose(never, byCurrent)
	r.ready()
	r.vanish(r.noticed())
	r.play(r.between(30*second, 90*second))
}

// reset interrupts the power and starts the board again.
func (r *rig) reset(back ms, product uint16, kinds ...string) {
	r.fall(back, kinds...)
	r.start(r.between(6*second, 45*second))
	r.show(product)
}

// flicker interrupts the power without the bus taking notice: the board lives on,
// and its run is a new one all the same.
func (r *rig) flicker(back ms) {
	mode, before := r.true.Spans[len(r.true.Spans)-1].Mode, r.load
	r.lose(back, byCurrent)
	r.mode(bench.Off)
	r.draw(load{mean: r.board.off, abs: 0.0001, still: true})
	r.play(back)
	r.begin()
	r.origin()
	r.mode(mode, bench.Starting)
	r.draw(before)
	r.play(5 * second)
	r.mode(mode)
}

// brownOut pulls the volts down, or takes the supply to its limit, and the
// board with it.
func (r *rig) brownOut(back ms, product uint16) {
	long := max(r.between(200, 1500), ms(2.5*r.meter.period()))
	if r.meter.limit > 0 && r.chance(0.5) {
		r.true.Limited = append(r.true.Limited, r.now)
		r.draw(load{mean: 1.3 * r.meter.limit.Amps(), still: true})
		r.sag = r.meter.setting.Volts() * (0.5 + 0.3*r.rng.Float64())
	} else {
		r.draw(load{mean: clamp(1.3*r.load.mean, 0.1, 1.8), rel: 0.05})
		r.sag = r.meter.setting.Volts() * (0.55 + 0.3*r.rng.Float64())
	}
	r.play(long)
	if r.chance(0.5) {
		r.fall(back, bench.BrownOut)
		r.sag = 0
	} else {
		r.sag = 0
		r.fall(back, bench.BrownOut)
	}
	r.start(r.between(6*second, 45*second))
	r.show(product)
}

// collapse sits at the supply's limit for some seconds, the volts down, and
// lives through it.
func (r *rig) collapse() {
	r.true.Collapses = append(r.true.Collapses, r.now)
	r.draw(load{mean: 1.3 * r.meter.limit.Amps(), still: true})
	r.sag = r.meter.setting.Volts() * (0.6 + 0.25*r.rng.Float64())
	r.play(r.between(6*second, 20*second))
	r.sag = 0
	r.use()
}

// heldReset is a restart with power held: the system fell over, the supply did
// not notice. It can be known once the board is back.
func (r *rig) heldReset() {
	r.lose(0, held, bench.Reset)
	r.lost().Within = 90 * second
	r.open = 0
	r.begin()
	r.mode(bench.Starting, bench.Running)
	r.vanish(r.noticed())
	if r.chance(0.6) {
		r.draw(load{mean: 0.035 + 0.03*r.rng.Float64(), rel: 0.03})
		r.play(r.between(300, 1000))
	}
	start := r.board.starting
	r.board.starting = 1.7 * r.board.running
	if r.board.running > 0.5 { // a start draws another current than what was before, or nobody could know
		r.board.starting = 0.5 * r.board.running
	}
	r.booting(r.between(10*second, 45*second))
	r.board.starting = start
	r.show(asRunning)
}

// stop ends the run by a person's doing: a mark, or the output switched off
// where the instrument says so.
func (r *rig) stop() {
	r.true.Stops = append(r.true.Stops, r.now)
	r.closeRun()
	if r.chance(0.5) {
		r.tell(bench.Mark{By: "kim", Kind: bench.MarkStop})
		r.play(r.between(second, 20*second))
		r.vanish(r.noticed())
		r.dark()
		r.play(r.between(2*second, 20*second))
		return
	}
	r.switched(false)
	r.vanish(r.noticed())
	r.dark()
	r.play(max(r.between(3*second, 20*second), ms(4*r.meter.period())))
	r.switched(true)
}
