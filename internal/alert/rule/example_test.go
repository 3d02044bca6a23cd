package rule_test

import (
	"fmt"
	"time"

	"benchvigil/internal/alert/rule"
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// A board dies while a goal is armed.
func ExampleRules() {
	r := rule.New(rule.Options{Stations: []rule.Station{{ID: "s1", Name: "Bench left"}}, Zone: time.UTC})
	died := time.Date(2026, 3, 2, 14, 3, 12, 0, time.UTC)
	now := died.Add(700 * time.Millisecond)
	changes := r.Events(
		[]bench.Event{{
			Station: "s1", Type: bench.RunDropped, Time: died, Concluded: now, Count: 1,
			Data: bench.EventData{Kind: bench.Died, Uptime: unit.Some(178 * time.Second), Window: unit.Some(210 * time.Second), Why: []string{"0.00 mA for 0.2 s"}},
		}, {
			Station: "s1", Type: bench.WatchFailed, Time: died, Concluded: now, Count: 2,
			Data: bench.EventData{Kind: bench.WatchDropped, Goal: "stay 3h"},
		}},
		&bench.Snapshot{Station: "s1", Name: "Bench left", Case: "2417", At: now, Window: 210 * time.Second},
	)
	for _, c := range changes {
		fmt.Println(c.What, c.Alert.Severity)
		fmt.Println(c.Alert.Title)
		fmt.Println(c.Alert.Text)
	}
	// Output:
	// raise danger
	// Bench left, case 2417: dropped (died) 14:03:12
	// Goal stay 3h lost, up 2 min 58 s. No reading. Stays off: 0.00 mA for 0.2 s. Check leads, then start it.
}
