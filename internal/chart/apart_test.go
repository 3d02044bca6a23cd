package chart_test

import (
	"testing"

	"benchvigil/internal/chart"
)

// run is one of readings 100 ms apart, with each current for so many seconds.
func run(seconds float64, amps ...float64) chart.Side {
	s := chart.Side{Run: chart.RunRow{UptimeS: seconds * float64(len(amps))}}
	c := chart.Channel{Name: "amps", Unit: "A", Scale: 1e-6}
	for i, a := range amps {
		for k := range int(seconds * 10) {
			c.T = append(c.T, int64(i)*int64(seconds*1000)+int64(k)*100)
			c.V = append(c.V, int64(a*1e6))
		}
	}
	s.Channels = []chart.Channel{c}
	return s
}

func TestApart(t *testing.T) {
	const together = -1
	for name, tt := range map[string]struct {
		a, b   chart.Side
		common int64
		mean   int64
		part   int64
		here   int64
	}{
		"the same twice":              {run(5, 0.1, 0.4), run(5, 0.1, 0.4), 10_000, 0, together, 0},
		"another level":               {run(5, 0.1, 0.4), run(5, 0.1, 0.2), 10_000, 100_000, 5_000, 400_000},
		"a fifth more is noise":       {run(5, 0.4), run(5, 0.48), 5_000, 80_000, together, 0},
		"little is noise":             {run(5, 0.010), run(5, 0.030), 5_000, 20_000, together, 0},
		"one shorter":                 {run(5, 0.1, 0.4), run(5, 0.1), 5_000, 0, together, 0},
		"a step two seconds later":    {run(2, 0.1, 0.4, 0.4, 0.4), run(2, 0.1, 0.1, 0.4, 0.4), 8_000, 75_000, together, 0},
		"a step four seconds later":   {run(4, 0.1, 0.4, 0.4), run(4, 0.1, 0.1, 0.4), 12_000, 100_000, 4_000, 400_000},
		"different from the start on": {run(4, 0.3), run(4, 0.1), 4_000, 200_000, 0, 300_000},
	} {
		t.Run(name, func(t *testing.T) {
			c := chart.Comparison{A: tt.a, B: tt.b}
			got, ok := c.Apart()
			if !ok || got.CommonMS != tt.common || got.Mean != tt.mean || got.PartMS != tt.part || got.Here != tt.here {
				t.Errorf("%+v %v, want %d ms in common, mean %d µA, parting at %d ms from %d µA", got, ok, tt.common, tt.mean, tt.part, tt.here)
			}
		})
	}
	c := chart.Comparison{A: run(5, 0.1), B: chart.Side{Run: chart.RunRow{UptimeS: 5}}}
	if got, ok := c.Apart(); ok {
		t.Errorf("a run without readings is compared: %+v", got)
	}
}

func TestCount(t *testing.T) {
	var c chart.Count
	for _, lasted := range []float64{8, 2, 4, 100} {
		c.Add(&chart.RunRow{Outcome: "dropped", LastedS: lasted})
	}
	c.Add(&chart.RunRow{Outcome: "running", UptimeS: 1000})
	c.Add(&chart.RunRow{Outcome: "unseen"})
	want := chart.Totals{Runs: 6, Running: 1, Dropped: 4, Unseen: 1, Known: 4, ShortestS: 2, MedianS: 6, LongestS: 100}
	if got := c.Totals(); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	c.Add(&chart.RunRow{Outcome: "stopped", LastedS: 5})
	if got := c.Totals().MedianS; got != 5 {
		t.Errorf("the median of five is %v, want 5", got)
	}
}
