package sim_test

import (
	"fmt"
	"os"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
	"benchvigil/internal/sim"
)

var start = time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC)

func handset(t *testing.T) *profile.Profile {
	t.Helper()
	p, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// slack is how far the time of an event may lie from its script, by type: a
// movement of the current is placed within the second in which it was seen,
// and the last good reading lies one period before the silence.
func slack(e bench.EventType) time.Duration {
	switch e {
	case bench.StallRaised:
		return 2 * time.Second
	case bench.SupplyLost:
		return 100 * time.Millisecond
	}
	return 0
}

// Every story gives exactly its scripted events.
func TestScenariosGiveTheirEvents(t *testing.T) {
	p := handset(t)
	for _, sc := range sim.Scenarios() {
		t.Run(sc.Name, func(t *testing.T) {
			e := infer.New(p, infer.Station{ID: "s1", Hookup: sc.Hookup})
			var got []sim.Expected
			for _, o := range sim.Observe(sc, "s1", "1-2", start, 100*time.Millisecond) {
				for _, ev := range e.Step(o) {
					got = append(got, sim.Expected{Type: ev.Type, At: ev.Time.Sub(start), To: ev.Data.To, Kind: ev.Data.Kind})
				}
			}
			for i := range min(len(got), len(sc.Expect)) {
				if d := got[i].At - sc.Expect[i].At; d.Abs() <= slack(got[i].Type) {
					got[i].At = sc.Expect[i].At
				}
			}
			if diff := cmp.Diff(sc.Expect, got); diff != "" {
				t.Errorf("(-script +got):\n%s", diff)
			}
		})
	}
}

func TestReadingsRepeat(t *testing.T) {
	sc, err := sim.ByName("restore-completes")
	if err != nil {
		t.Fatal(err)
	}
	a := sim.Observe(sc, "s1", "1-2", start, 100*time.Millisecond)
	b := sim.Observe(sc, "s1", "1-2", start, 100*time.Millisecond)
	if fmt.Sprint(a) != fmt.Sprint(b) || len(a) < 3000 {
		t.Errorf("%d and %d observations of the same story differ", len(a), len(b))
	}
}

func TestTrafficCountsFromEachEnumeration(t *testing.T) {
	sc, err := sim.ByName("restore-completes")
	if err != nil {
		t.Fatal(err)
	}
	before, after := sc.URBs(206*time.Second), sc.URBs(227*time.Second)
	if before < 20_000 || after > 500 {
		t.Errorf("count %d before and %d after the restart; want it to start again", before, after)
	}
}

func TestUnknownScenario(t *testing.T) {
	if _, err := sim.ByName("nope"); err == nil {
		t.Error("want an error that lists the scenarios")
	}
}
