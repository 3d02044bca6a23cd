package chart

import "slices"

// Totals sums up all runs that a filter picks, on whatever page they stand.
type Totals struct {
	Runs    int `json:"runs"`
	Running int `json:"running"`
	Dropped int `json:"dropped"`
	Stopped int `json:"stopped"`
	Unseen  int `json:"unseen"` // nobody saw the end
	Met     int `json:"window_met"`
	Missed  int `json:"window_missed"`
	// Of those that ended and whose length is known: seconds. The median is the
	// middle one, the mean of the two in the middle where their number is even.
	Known     int     `json:"known"`
	ShortestS float64 `json:"shortest_s,omitzero"`
	MedianS   float64 `json:"median_s,omitzero"`
	LongestS  float64 `json:"longest_s,omitzero"`
}

// Count takes runs one after the other and sums them up.
type Count struct {
	totals Totals
	lasted []float64
}

// Add counts a run.
func (c *Count) Add(r *RunRow) {
	t := &c.totals
	t.Runs++
	if n := t.of(r.Outcome); n != nil {
		*n++
	}
	if !r.WindowMet.IsZero() {
		t.Met++
	}
	if r.Missed {
		t.Missed++
	}
	if r.LastedS > 0 {
		c.lasted = append(c.lasted, r.LastedS)
	}
}

func (t *Totals) of(outcome string) *int {
	switch outcome {
	case "running":
		return &t.Running
	case "dropped":
		return &t.Dropped
	case "stopped":
		return &t.Stopped
	case "unseen":
		return &t.Unseen
	}
	return nil
}

// Totals is the sum so far.
func (c *Count) Totals() Totals {
	t := c.totals
	t.Known = len(c.lasted)
	if t.Known == 0 {
		return t
	}
	slices.Sort(c.lasted)
	low, high := c.lasted[(t.Known-1)/2], c.lasted[t.Known/2]
	t.ShortestS, t.MedianS, t.LongestS = c.lasted[0], (low+high)/2, c.lasted[t.Known-1]
	return t
}
