package supply

import (
	"testing"
	"time"
)

func TestPace(t *testing.T) {
	t0 := time.Date(2026, 3, 2, 21, 14, 5, 0, time.UTC)
	const ms = time.Millisecond
	for _, tc := range []struct {
		name    string
		ended   time.Duration // after the slot at 0
		slot    time.Duration
		skipped uint64
	}{
		{"at once", 0, 100 * ms, 0},
		{"in time", 99 * ms, 100 * ms, 0},
		{"just when the next is due", 100 * ms, 100 * ms, 0},
		{"late for the next, which is served at once", 130 * ms, 100 * ms, 0},
		{"one slot missed", 200 * ms, 200 * ms, 1},
		{"one slot missed, late for the next", 299 * ms, 200 * ms, 1},
		{"many slots missed", 5030 * ms, 5000 * ms, 49},
		{"the clock went back", -70 * ms, 100 * ms, 0},
	} {
		p := pace{every: 100 * ms, slot: t0}
		skipped := p.advance(t0.Add(tc.ended))
		if got := p.slot.Sub(t0); got != tc.slot || skipped != tc.skipped {
			t.Errorf("%s: next slot at %v after %d skipped, want %v after %d", tc.name, got, skipped, tc.slot, tc.skipped)
		}
	}
}

func TestRetryIsCapped(t *testing.T) {
	b := newRetry()
	within := func(d, middle time.Duration) {
		t.Helper()
		if d < middle*3/4 || d > middle*5/4 || d > 5*time.Second {
			t.Errorf("back-off is %v, want %v give or take a quarter and 5 s at most", d, middle)
		}
	}
	for range 3 {
		for _, middle := range []time.Duration{100, 200, 400, 800, 1600, 3200, 4000, 4000, 4000} {
			within(b.NextBackOff(), middle*time.Millisecond)
		}
		b.Reset()
	}
}
