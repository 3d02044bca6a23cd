package bench_test

import (
	"testing"
	"time"

	"benchvigil/internal/bench"
)

func TestSteady(t *testing.T) {
	start := time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC)
	var s bench.Steady
	for i, o := range []struct {
		at   time.Duration // of the wall clock, since the start
		fact bench.Fact
		want time.Duration
	}{
		{0, bench.Power{}, 0},
		{time.Second, bench.Power{}, time.Second},
		{900 * time.Millisecond, bench.Power{}, time.Second}, // a little late is no step
		{61 * time.Second, bench.Clock{Jump: time.Minute}, time.Second},
		{62 * time.Second, bench.Power{}, 2 * time.Second},
		{12 * time.Second, bench.Power{}, 2 * time.Second}, // nobody said so
		{13 * time.Second, bench.Power{}, 3 * time.Second},
	} {
		if got := s.Take(bench.Observation{At: start.Add(o.at), Fact: o.fact}); got != o.want {
			t.Errorf("observation %d: %v, want %v", i, got, o.want)
		}
	}
	if got := s.Since(start.Add(11 * time.Second)); got != time.Second {
		t.Errorf("two seconds ago: %v, want 1s", got)
	}
}
