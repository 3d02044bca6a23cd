package ledger_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/ledger"
	"benchvigil/internal/trace"
	"benchvigil/internal/unit"
)

// Roll-ups are there from the first second on, folded or not.
func TestRollups(t *testing.T) {
	l := open(t, t.TempDir())
	ctx := t.Context()
	l.Begin("s1", start, wiring)
	var points []trace.Point
	record := func(from, to int) {
		for i := from; i < to; i++ {
			o := reading("s1", start.Truncate(time.Second).Add(time.Duration(i)*100*time.Millisecond), unit.Current(1000*(i%17)))
			l.Record(o)
			_, p, _ := trace.Of(o)
			points = append(points, p)
		}
	}
	record(0, 600)
	must(t, l.Fold(ctx))
	record(600, 650)
	must(t, l.Flush(ctx))
	want := trace.Rollups(points)
	if d := cmp.Diff(want, all(t, l.Rollups(ctx, ledger.Query{Station: "s1"}, ""))); d != "" {
		t.Error(d)
	}
	part := ledger.Query{Station: "s1", From: start.Truncate(time.Second).Add(58 * time.Second), To: start.Truncate(time.Second).Add(61 * time.Second)}
	if d := cmp.Diff(want[58:62], all(t, l.Rollups(ctx, part, ""))); d != "" {
		t.Error(d)
	}
	for _, err := range l.Rollups(ctx, ledger.Query{Station: "s9"}, "") {
		if err == nil {
			t.Error("roll-ups of a station that never was")
		}
	}
}
