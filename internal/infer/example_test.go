package infer_test

import (
	"fmt"
	"os"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

// A board without USB in sight is powered, and dies half a second later.
func ExampleEngine() {
	p, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		fmt.Println(err)
		return
	}
	e := infer.New(p, infer.Station{ID: "s1", Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}})
	start := time.Date(2026, 3, 2, 21, 14, 5, 0, time.UTC)
	for i, amps := range []unit.Current{0, 0, 0, 500_000, 500_000, 500_000, 500_000, 500_000, 0, 0, 0} {
		at := start.Add(time.Duration(i) * 100 * time.Millisecond)
		e.Step(bench.Observation{At: at, Station: "s1", Fact: bench.Power{Amps: unit.Some(amps)}})
	}
	for _, ev := range e.Tick(start.Add(3 * time.Second)) {
		fmt.Println(ev.Time.Format("15:04:05.0"), ev.Type, ev.Data.Kind, ev.Data.Why)
	}
	// Output:
	// 21:14:05.8 benchvigil.run.down  [0.00 mA for 0.2 s, the off band ends at 2.00 mA]
	// 21:14:05.8 benchvigil.run.dropped died [0.00 mA for 0.2 s, the off band ends at 2.00 mA it stays off]
	// 21:14:05.8 benchvigil.window.missed died [it dropped before it had started]
	// 21:14:05.8 benchvigil.mode.changed  [0.00 mA for 0.2 s, the off band ends at 2.00 mA]
}
