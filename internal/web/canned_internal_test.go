package web

import (
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/web/states"
)

// The canned boards of package states, by short names.

var (
	night         = states.Night
	ago           = states.Ago
	event1        = states.Event
	running       = states.Running
	changed       = states.Changed
	noRun         = states.NoRun
	in            = states.In
	unplugged     = states.Unplugged
	draws         = states.Draws
	droppedBefore = states.DroppedBefore
	someStations  = states.Stations
	later         = states.Later

	alert1        = states.Alert
	cannedAlerts  = states.Alerts
	cannedOutlets = states.Outlets
)

// canned is one snapshot of each state, by what it shows.
type canned struct {
	what string
	s    bench.Snapshot
}

func allStates() []canned {
	all := states.States()
	out := make([]canned, len(all))
	for i, s := range all {
		out[i] = canned{s.What, s.Snapshot}
	}
	return out
}

func cannedLoad() Load {
	return Load{
		From: night.Add(-7 * 24 * time.Hour), To: night, Rings: 61,
		Measures: []LoadMeasure{
			{"rings an hour, each person", "0.4", "≤ 6, at most 12", "ISA-18.2", "kept", false},
			{"most in ten minutes", "14", "≤ 10", "ISA-18.2", "NOT KEPT", true},
			{"median time to acknowledge", "48 s", "≤ 10 min", "benchvigil", "kept", false},
		},
		Frequent: []LoadPoint{{"s-5.supply-lost", 31, 0.508}, {"s-2.dropped", 9, 0.148}},
		Hints:    []string{"supply-lost rang 31 times, 24 of them shorter than 10s: a hold of 10s would have kept them quiet"},
	}
}
