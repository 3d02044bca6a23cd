package chart

import "time"

// Survival is how long the runs of one hook-up stayed up, with what that says
// of the next one.
type Survival struct {
	Station    string   `json:"station"`
	Hookup     int      `json:"hookup"` // as in RunRow
	Profile    string   `json:"profile"`
	From       string   `json:"from"`       // what lengths count from, as the window does: "power" or "started"
	WindowS    float64  `json:"window_s"`   // how long a run has to stay up
	Confidence float64  `json:"confidence"` // of the limits, two-sided
	Runs       []Lasted `json:"runs"`       // the oldest first
	Steps      []Step   `json:"steps"`      // of the Kaplan-Meier curve, which begins with 1 at 0
	LastS      float64  `json:"last_s"`     // nothing is known beyond
	AtWindow   *Chance  `json:"at_window"`  // null where the runs do not tell
	MedianS    *float64 `json:"median_s"`   // when half of the runs have dropped; null: it never came so far
}

// Lasted is one run: it dropped after so long, or was stopped or goes on, and
// would have lasted longer: censored.
type Lasted struct {
	ID       string    `json:"id"` // as in RunRow
	Began    time.Time `json:"began"`
	LastedS  float64   `json:"lasted_s"`
	Censored bool      `json:"censored"`
	Outcome  string    `json:"outcome"`
}

// Step is one fall of the curve: from AtS on the share that stays up is Share,
// within the log-log limits Low and High. Limits are null where there are none:
// once nobody is left.
type Step struct {
	AtS    float64  `json:"at_s"`
	AtRisk int      `json:"at_risk"`
	Ended  int      `json:"ended"`
	Share  float64  `json:"share"`
	Low    *float64 `json:"low"`
	High   *float64 `json:"high"`
}

// Chance is the share of runs that stay up so long, with its limits.
type Chance struct {
	Share float64  `json:"share"`
	Low   *float64 `json:"low"`
	High  *float64 `json:"high"`
}
