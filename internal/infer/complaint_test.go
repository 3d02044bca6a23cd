package infer_test

import (
	"testing"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/unit"
)

// What a supply complained of while it was silent is over with the first good
// reading.
func TestComplaintEndsWithTheSilence(t *testing.T) {
	e := infer.New(handset(t), infer.Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply}})
	now := epoch
	give := func(after time.Duration, f bench.Fact) (s bench.Snapshot) {
		now = now.Add(after)
		e.Step(bench.Observation{At: now, Station: "s1", Fact: f})
		e.Tick(now.Add(time.Millisecond))
		e.View(now, &s)
		return s
	}
	reading := bench.Power{Amps: unit.Some(400 * unit.Milliampere)}
	give(0, reading)
	give(time.Second, bench.Supply{Change: bench.Lost, Error: "no answer"})
	if s := give(4*time.Second, bench.Mark{Kind: bench.MarkNote}); s.SupplyLost.IsZero() || s.SupplyError != "no answer" {
		t.Errorf("silent: lost %v, %q", s.SupplyLost, s.SupplyError)
	}
	give(time.Second, reading)
	if s := give(time.Second, reading); !s.SupplyLost.IsZero() || s.SupplyError != "" {
		t.Errorf("back: lost %v, %q", s.SupplyLost, s.SupplyError)
	}
}
