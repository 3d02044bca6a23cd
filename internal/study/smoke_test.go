package study

import (
	"bytes"
	"testing"
)

// Twenty hours of every scenario: what five thousand prove, a smoke of it. One
// false drop or stall would already be fifty times too many, so none is allowed;
// of delays there are too few for a 99th percentile, so the 95th is held.
func TestSmoke(t *testing.T) {
	r, err := Run(Options{Hours: 20, Seeds: Tune, Workers: 2})
	if err != nil {
		t.Fatal(err)
	}
	y := r.Overall
	for what, fault := range map[string]bool{
		"hours":               y.Hours < 20 || y.RestoreHours < 8,
		"drops asked for":     y.Drops < 30 || y.Stalls < 3 || y.Windows < 30,
		"missed drops":        y.Missed > 0,
		"false drops":         y.FalseDrops > 0,
		"missed stalls":       y.MissedStalls > 0,
		"false stalls":        y.FalseStalls+y.FalseRePairStalls > 0,
		"false hung starts":   y.HungFalse > 0,
		"false starts of run": y.RunsFalse > 0,
		"delay of drops":      y.Delay.summary().P95 > 1,
		"delay of stalls":     y.StallDelay.summary().P95 > 30,
		"mode right":          y.right() < 0.98,
	} {
		if fault {
			t.Error(what)
		}
	}
	if t.Failed() {
		var table bytes.Buffer
		r.Table(&table, nil)
		t.Log(table.String())
		for i, c := range r.Worst {
			if i < 20 {
				t.Logf("%s at %.1f s: %s", c.Job, c.Seconds(), c.What)
			}
		}
	}
}
