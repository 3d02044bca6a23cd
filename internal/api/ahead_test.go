package api_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/api"
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// What can be expected goes over the wire in numbers and in words; what is not
// known is left out.
func TestAheadOverTheWire(t *testing.T) {
	s := bench.Snapshot{
		At: moment, Window: 210 * time.Second,
		Needs:   &bench.NeedsView{Mode: bench.Restoring, Of: 5, Median: unit.Some(6 * time.Minute)},
		Odds:    &bench.OddsView{Lasted: 2, Of: 2, Share: 1, Low: 0.223606, High: 1},
		Current: bench.CurrentView{High: moment, HighKind: bench.Leak},
	}
	wire := func(s bench.Snapshot) (out map[string]any) {
		b, err := json.Marshal(api.StatusOf(&s))
		if err != nil {
			t.Fatal(err)
		}
		var all map[string]any
		if err := json.Unmarshal(b, &all); err != nil {
			t.Fatal(err)
		}
		out = map[string]any{}
		for _, key := range []string{"needs", "odds", "current_wrong"} {
			if v, ok := all[key]; ok {
				out[key] = v
			}
		}
		return out
	}
	want := map[string]any{
		"needs":         map[string]any{"mode": "restoring", "of": 5.0, "median_s": 360.0, "text": "about 6 min more (by 5 before)"},
		"odds":          map[string]any{"lasted": 2.0, "of": 2.0, "share": 1.0, "low": 0.2236, "high": 1.0, "wait_s": 210.0, "text": "2 of 2 runs reached it (too few to tell)"},
		"current_wrong": map[string]any{"high_since": "2026-03-02T21:14:05Z", "high_kind": "leak"},
	}
	if diff := cmp.Diff(want, wire(s)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(map[string]any{}, wire(bench.Snapshot{At: moment})); diff != "" {
		t.Errorf("nothing known (-want +got):\n%s", diff)
	}
}
