package signature

import (
	"os"
	"testing"
	"time"

	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
	"benchvigil/internal/sim"
)

// A station that stays up for long keeps the readings of a few seconds.
func TestFinderForgets(t *testing.T) {
	p, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	sc, err := sim.ByName("window-met")
	if err != nil {
		t.Fatal(err)
	}
	starts, most := 0, 0
	f := Find(p, infer.Station{ID: "s1", Hookup: sc.Hookup}, func(Start) { starts++ })
	for _, o := range sim.Observe(sc, "s1", "1-1", time.Unix(1_800_000_000, 0), grid) {
		f.Step(o)
		if starts > 0 {
			most = max(most, len(f.read))
		}
	}
	if starts != 1 || most == 0 || most > int(4*toldLate/grid) {
		t.Errorf("%d starts, up to %d readings kept after the first", starts, most)
	}
}
