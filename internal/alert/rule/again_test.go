package rule_test

import (
	"testing"

	"benchvigil/internal/alert/rule"
	"benchvigil/internal/bench"
)

// Drops are counted on over a restart: a third one must not look like the second
// that was told before it.
func TestDropsAreCountedOverARestart(t *testing.T) {
	g := newRig(t, one())
	g.drop("s01", bench.Reset, 0, 0.7)
	g.drop("s01", bench.Reset, 3, 3.7)
	stood := g.r.Standing()
	if len(stood) != 1 || stood[0].Times != 2 || !stood[0].Latest.Equal(at(3)) {
		t.Fatalf("stands %+v, want two drops, the last at %v", stood, at(3))
	}
	after := newRig(t, one())
	after.r.Restore([]bench.AlertView{{Alert: stood[0], State: bench.AlertUnacknowledged, Stands: true}})
	got := after.drop("s01", bench.Reset, 6, 6.7)
	if len(got) == 0 || got[0].What != rule.Amend || got[0].Alert.Times != 3 || got[0].Alert.Title == stood[0].Title {
		t.Errorf("after the restart %+v, want the third drop", got)
	}
}
