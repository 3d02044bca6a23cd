package bench_test

import (
	"testing"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

func TestOddsWords(t *testing.T) {
	for want, v := range map[string]*bench.OddsView{
		"": nil,
		"2 of 2 runs reached it (too few to tell)":                 {Lasted: 2, Of: 2, Share: 1, Low: 0.2236, High: 1},
		"0 of 4 runs reached it (too few to tell)":                 {Of: 4, High: 0.527},
		"0 of 5 runs reached it: the next one 45 % or less":        {Of: 5, High: 0.451},
		"3 of 5 runs reached it: the next one 19–92 %":             {Lasted: 3, Of: 5, Share: 0.6, Low: 0.189, High: 0.924},
		"1 of 900 runs reached it: the next one 1–1 %":             {Lasted: 1, Of: 900, Share: 0.001, Low: 0.0001, High: 0.005},
		"5 of 5 runs lasted 3 h 00 min: the next one 55 % or more": {Lasted: 5, Of: 5, Share: 1, Low: 0.5493, High: 1, Wait: 3 * time.Hour},
		"900 of 900 runs reached it: the next one 99 % or more":    {Lasted: 900, Of: 900, Share: 1, Low: 0.9967, High: 1},
		"resets at about 180 s each time":                          {Of: 3, High: 0.63, Regular: 180400 * time.Millisecond},
	} {
		if got := v.String(); got != want {
			t.Errorf("%+v: %q, want %q", v, got, want)
		}
	}
}

func TestNeedsWords(t *testing.T) {
	some := unit.Some[time.Duration]
	for want, v := range map[string]*bench.NeedsView{
		"":                               nil,
		"longer than all 14 before":      {Of: 14, Passed: true},
		"about 6 min more (by 5 before)": {Of: 5, Median: some(5*time.Minute + 40*time.Second)},
		"about 45 s more, 9 of 10 within 2 h 05 min (by 12 before)": {Of: 12, Median: some(45 * time.Second), Most: some(125 * time.Minute)},
		"9 of 10 within 90 min (by 12 before)":                      {Of: 12, Most: some(90 * time.Minute)},
	} {
		if got := v.String(); got != want {
			t.Errorf("%+v: %q, want %q", v, got, want)
		}
	}
	if got := (&bench.NeedsView{Of: 12}).String(); got != "" {
		t.Errorf("nothing known: %q", got)
	}
}
