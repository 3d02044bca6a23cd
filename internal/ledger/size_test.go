package ledger_test

import (
	"testing"
	"time"

	"benchvigil/internal/unit"
)

// What the store takes is known once it was measured, and grows with it.
func TestSizes(t *testing.T) {
	l := open(t, t.TempDir())
	must(t, l.Measure(t.Context()))
	before := l.Sizes().Stored
	l.Begin("s1", start, wiring)
	for i := range 20_000 {
		l.Record(reading("s1", start.Add(time.Duration(i)*time.Second), unit.Current(i*7919%100_003)))
	}
	must(t, l.Flush(t.Context()))
	must(t, l.Measure(t.Context()))
	if after := l.Sizes().Stored; before <= 0 || after < before+20_000 {
		t.Errorf("%d bytes, then %d after 20,000 readings", before, after)
	}
}
