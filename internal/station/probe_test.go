package station_test

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/station"
)

func probe(t *testing.T, s *station.Station) error {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	return s.Probe(ctx)
}

func TestProbeLeavesNoTrace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h heard
		s, stop := begin(t, &h, nil)
		time.Sleep(30 * time.Millisecond)
		for range 3 {
			if err := probe(t, s); err != nil {
				t.Error(err)
			}
		}
		stop()
		if len(h.observations) != 1 || h.observations[0].Fact != (bench.Clock{End: true}) || len(h.events) != 0 {
			t.Errorf("recorded %v and told %v; want only the end", h.observations, h.events)
		}
	})
}

// A station that hangs in one of its sinks answers no probe, although its
// mailbox still takes it, and answers again when the sink lets go.
func TestProbeOfAStuckStation(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h heard
		hold := make(chan struct{})
		s, stop := begin(t, &h, func(o *station.Options) {
			o.Record = func(bench.Observation) { <-hold }
		})
		s.Put(reading(0))
		synctest.Wait()
		for range 2 {
			if err := probe(t, s); err == nil || !strings.Contains(err.Error(), "station s1 does not answer for 5s") {
				t.Errorf("got %v", err)
			}
		}
		close(hold)
		synctest.Wait()
		if err := probe(t, s); err != nil {
			t.Errorf("after it was freed: %v", err)
		}
		stop()
	})
}

// A probe that finds no room waits for it, and is not counted as dropped.
func TestProbeOfAFullMailbox(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h heard
		hold := make(chan struct{})
		s, stop := begin(t, &h, func(o *station.Options) {
			o.Mailbox = 1
			o.Record = func(bench.Observation) { <-hold }
		})
		s.Put(reading(0))
		synctest.Wait()
		s.Put(reading(0))
		if err := probe(t, s); err == nil {
			t.Error("a station whose mailbox is full answered")
		}
		close(hold)
		synctest.Wait()
		if err := probe(t, s); err != nil || s.Snapshot().QueueDropped != 0 {
			t.Errorf("after it was freed: %v, dropped %d", err, s.Snapshot().QueueDropped)
		}
		stop()
	})
}
