package supply

import (
	"fmt"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
)

// Causes without end, as a failing line may give, must not fill the memory.
func TestKnownCausesAreBounded(t *testing.T) {
	told := 0
	n := news{
		now:   time.Now,
		emit:  func(bench.Observation) bool { told++; return true },
		log:   zap.NewNop(),
		known: map[string]struct{}{},
	}
	for i := range 1000 {
		n.trouble(&failure{what: fmt.Sprint("cause ", i)})
		if len(n.known) > maxKnown {
			t.Fatalf("%d causes are remembered, want %d at most", len(n.known), maxKnown)
		}
	}
	if told != 1000 {
		t.Errorf("%d of 1000 different troubles were told", told)
	}
}
