package rule

import (
	"time"

	"benchvigil/internal/bench"
)

// DefaultBack is how long a run must go on for the drop before it to be over: a
// board that resets in a loop is one alert.
const DefaultBack = 10 * time.Second

// warmUp is how long after a restart stations are watched before what stood is
// judged: a source needs a moment to say what stands there.
const warmUp = 15 * time.Second

// holds are how long a condition must stand to be told, from when it began. Most
// conclusions have been waited for already, so only what comes and goes by itself
// is held. What is dangerous never is.
var holds = map[bench.AlertKind]time.Duration{
	bench.AlertSupplyLost: 10 * time.Second, // an instrument that restarts
	bench.AlertUSBLost:    5 * time.Second,  // a watch that is started again
	bench.AlertAtRisk:     10 * time.Second, // odds that change as the run goes on
	bench.AlertLedger:     2 * time.Second,  // a disk that was busy
}

// DefaultHold is how long a condition of a kind must stand to be told.
func DefaultHold(k bench.AlertKind) time.Duration { return holds[k] }

// hold is how long this one must.
func (r *Rules) hold(k bench.AlertKind, s bench.Severity) time.Duration {
	if s == bench.Danger {
		return 0
	}
	if d, ok := r.o.Hold[k]; ok {
		return max(d, 0)
	}
	return holds[k]
}

// severities are how much each kind matters; a drop without a goal and a rule of
// draw have their own.
var severities = map[bench.AlertKind]bench.Severity{
	bench.AlertDropped:    bench.Danger,
	bench.AlertStalled:    bench.Danger,
	bench.AlertHighAmps:   bench.Danger,
	bench.AlertCollapsed:  bench.Danger,
	bench.AlertDrifting:   bench.Caution,
	bench.AlertDraw:       bench.Caution,
	bench.AlertStartHung:  bench.Caution,
	bench.AlertAtRisk:     bench.Caution,
	bench.AlertLate:       bench.Caution,
	bench.AlertSupplyLost: bench.Caution,
	bench.AlertRegular:    bench.Caution,
	bench.AlertWindowMet:  bench.Notice,
	bench.AlertGoalDone:   bench.Notice,
	bench.AlertUSBLost:    bench.Caution,
	bench.AlertHubLost:    bench.Caution,
	bench.AlertPowerLost:  bench.Caution,
	bench.AlertLedger:     bench.Caution,
	bench.AlertOutlet:     bench.Caution,
	bench.AlertConfig:     bench.Caution,
	bench.AlertUnwatched:  bench.Caution,
	bench.AlertTest:       bench.Notice,
}
