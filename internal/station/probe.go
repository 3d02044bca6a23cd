package station

import (
	"context"
	"fmt"
	"time"

	"benchvigil/internal/bench"
)

// Probe sends an empty observation the way all observations go and waits for a
// snapshot that was published after it. So it returns nil only while the
// station does its work: takes its mail, can hand on what it recorded and told,
// and publishes. Nothing is recorded and infer does not see it. Only one
// goroutine probes a station at a time.
func (s *Station) Probe(ctx context.Context) error {
	o, before := bench.Observation{At: s.o.Now(), Station: s.id}, s.view.Load()
	select {
	case s.mail <- o:
	case <-ctx.Done():
		return s.stuck(o.At)
	}
	for {
		select {
		case at := <-s.probed:
			if at.Equal(o.At) && s.view.Load() != before {
				return nil
			}
		case <-ctx.Done():
			return s.stuck(o.At)
		}
	}
}

func (s *Station) stuck(since time.Time) error {
	return fmt.Errorf("%s does not answer for %v", s, s.o.Now().Sub(since).Round(time.Millisecond))
}

// answer publishes a snapshot and lets the probe see it. An answer that nobody
// waits for any more makes room for this one.
func (s *Station) answer(o bench.Observation) {
	s.publish(s.o.Now())
	select {
	case <-s.probed:
	default:
	}
	s.probed <- o.At
}
