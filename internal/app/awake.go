package app

import "benchvigil/internal/inhibit"

// addKeeper keeps the computer awake while a run goes on.
func (a *assembly) addKeeper() (err error) {
	if a.plan.Awake == nil {
		return nil
	}
	a.keeper, err = inhibit.New(inhibit.Options{
		Wanted: a.runGoesOn, Why: "a board must be watched without a break", Hold: a.plan.Awake, Logger: a.plan.Logger,
	})
	return err
}

// runGoesOn reports whether any station has a run that goes on.
func (a *assembly) runGoesOn() bool {
	for _, p := range a.setup.Load().places {
		if p.station.Snapshot().Run != nil {
			return true
		}
	}
	return false
}
