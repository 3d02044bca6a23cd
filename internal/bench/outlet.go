package bench

import "time"

// OutletView is how an outlet of alerts fares.
type OutletView struct {
	Name      string    `json:"name"`
	Kind      string    `json:"kind"`
	Waiting   int       `json:"waiting"`          // messages that are still to be delivered
	Failing   time.Time `json:"failing,omitzero"` // since when nothing is delivered
	Error     string    `json:"error,omitempty"`  // the last one, without secrets
	Sent      time.Time `json:"sent,omitzero"`    // when something was delivered last
	Delivered uint64    `json:"delivered"`
	Failed    uint64    `json:"failed"`   // tries
	GivenUp   uint64    `json:"given_up"` // messages that no try can deliver
}

// AlertKinds lists the kinds of alerts, but for that of a test.
func AlertKinds() []AlertKind {
	return []AlertKind{
		AlertDropped, AlertStalled, AlertHighAmps, AlertCollapsed, AlertDrifting, AlertDraw, AlertStartHung,
		AlertAtRisk, AlertLate, AlertSupplyLost, AlertWindowMet, AlertGoalDone, AlertRegular,
		AlertUSBLost, AlertHubLost, AlertPowerLost, AlertLedger, AlertOutlet, AlertConfig, AlertUnwatched,
	}
}
