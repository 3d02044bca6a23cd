package bench

import "time"

// stepBack is how far time may go back before that is a clock step, as in infer.
const stepBack = time.Second

// Steady counts the time of one station from its first observation, as by a
// clock that was never stepped: announced jumps and unannounced steps back take
// no time. The zero Steady has seen nothing.
type Steady struct {
	zero  time.Time     // the first observation
	shift time.Duration // what clock steps have to be made up for
	now   time.Duration
}

// Take takes the next observation and returns when it was made.
func (s *Steady) Take(o Observation) time.Duration {
	if s.zero.IsZero() {
		s.zero = o.At
	}
	if c, ok := o.Fact.(Clock); ok {
		s.shift -= c.Jump
	}
	t := s.Since(o.At)
	if t < s.now-stepBack {
		s.shift += s.now - t
	}
	s.now = max(t, s.now)
	return s.now
}

// Since turns wall time into steady time, for a conclusion drawn from the
// observation taken last.
func (s *Steady) Since(t time.Time) time.Duration { return t.Sub(s.zero) + s.shift }
