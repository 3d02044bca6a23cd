package supply

import "time"

// pace is an absolute schedule of readings: slots lie every apart from the
// first one, however long a reading takes.
type pace struct {
	every time.Duration
	slot  time.Time // the slot that is due next
}

// advance moves to the slot after the one just served: the next to come, or,
// when that has passed already, the latest one, which is served at once. It
// returns how many slots passed without a reading.
func (p *pace) advance(now time.Time) (skipped uint64) {
	p.slot = p.slot.Add(p.every)
	n := max(0, now.Sub(p.slot)/p.every)
	p.slot = p.slot.Add(n * p.every)
	return uint64(n)
}
