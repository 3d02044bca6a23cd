package supply

import (
	"errors"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
)

// calmAfter is how many clean readings in a row end an old trouble; the same
// trouble after that is a new one.
const calmAfter = 10

// maxKnown bounds the memory of troubles told.
const maxKnown = 32

// news tells of the instrument itself: a loss once, its end once, a trouble
// once until it heals. The log hears of each cause once until it heals, so that
// an instrument that comes and goes does not fill it.
type news struct {
	station string
	channel string
	now     func() time.Time
	emit    func(bench.Observation) bool
	log     *zap.Logger

	lost  string              // the loss told and not ended; "" in sight
	known map[string]struct{} // causes told since all was well
	calm  int                 // clean readings in a row
}

// tell emits news at one moment.
func (n *news) tell(at time.Time, change bench.Sight, text string) bool {
	return n.emit(bench.Observation{At: at, Station: n.station, Fact: bench.Supply{Change: change, Error: text, Channel: n.channel}})
}

// loss tells that there are no readings, once for each cause. What the receiver
// dropped is told again at the next attempt.
func (n *news) loss(f *failure) {
	if n.lost != f.what && n.tell(n.now(), bench.Lost, f.text()) {
		n.lost = f.what
	}
	if n.fresh("lost: " + f.what) {
		n.log.Warn("supply lost", logkey.Err(errors.New(f.text())))
	}
}

// trouble tells of f, which did not end the readings.
func (n *news) trouble(f *failure) {
	if n.fresh(f.what) {
		n.tell(n.now(), bench.Trouble, f.text())
		n.log.Warn("supply in trouble", logkey.Err(errors.New(f.text())))
	}
}

// entry tells of one entry of the error queue. Each is its own event there, so
// each is told.
func (n *news) entry(text string) {
	n.tell(n.now(), bench.Trouble, text)
	if n.fresh(text) {
		n.log.Warn("instrument reports an error", logkey.Err(errors.New(text)))
	}
}

// back tells that a loss has ended, before the reading at time at that ends it.
func (n *news) back(at time.Time) {
	if n.lost != "" && n.tell(at, bench.Back, "") {
		n.lost = ""
	}
}

// clean counts a reading without any trouble.
func (n *news) clean() {
	n.calm++
	if n.calm == calmAfter && len(n.known) > 0 {
		clear(n.known)
		n.log.Info("supply is well")
	}
}

// fresh reports a cause that was not told since all was well.
func (n *news) fresh(what string) bool {
	n.calm = 0
	if _, ok := n.known[what]; ok {
		return false
	}
	if len(n.known) >= maxKnown {
		clear(n.known)
	}
	n.known[what] = struct{}{}
	return true
}
