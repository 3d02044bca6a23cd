package station

import (
	"slices"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// The recent shape of the current: ten minutes in steps of five seconds.
const (
	shapeStep   = 5 * time.Second
	shapeLength = 120
)

// shape keeps the mean current of each step.
type shape struct {
	step  int64 // number of the step under way, 0 before the first reading
	sum   int64
	count int64
	done  []unit.Maybe[unit.Current] // never changed in place: snapshots share it
}

// add takes a reading. Steps lie on multiples of shapeStep, so that what is
// drawn does not shiver from one look to the next.
func (s *shape) add(at time.Time, amps unit.Current) {
	step := at.UnixMilli() / shapeStep.Milliseconds()
	if s.step == 0 {
		s.step = step
	}
	if step != s.step {
		s.close(step)
	}
	s.sum += int64(amps)
	s.count++
}

func (s *shape) close(next int64) {
	done := slices.Clone(s.done)
	mean := unit.Maybe[unit.Current]{}
	if s.count > 0 {
		mean = unit.Some(unit.Current(s.sum / s.count))
	}
	done = append(done, mean)
	for range min(max(next-s.step-1, 0), shapeLength) {
		done = append(done, unit.Maybe[unit.Current]{})
	}
	s.done = done[max(0, len(done)-shapeLength):]
	s.step, s.sum, s.count = next, 0, 0
}

func (s *shape) view() bench.Shape {
	return bench.Shape{Step: shapeStep, Until: time.UnixMilli(s.step * shapeStep.Milliseconds()).UTC(), Amps: s.done}
}
