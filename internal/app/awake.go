package app

import "benchvigil/internal/inhibit"

// addKeeper keeps the computer awake while a goal is armed or a run goes on.
func (a *assembly) addKeeper() (err error) {
	if a.plan.Awake == nil {
		return nil
	}
	a.keeper, err = inhibit.New(inhibit.Options{
		Wanted: a.watchGoesOn, Why: "a board must be watched without a break", Hold: a.plan.Awake, Logger: a.plan.Logger,
	})
	return err
}

// watchGoesOn reports whether any station has a goal armed, or a run that goes
// on: whoever forgot to arm one still wants to know how the run ended.
func (a *assembly) watchGoesOn() bool {
	for _, p := range a.setup.Load().places {
		if s := p.station.Snapshot(); s.Run != nil || s.Watch != nil {
			return true
		}
	}
	return false
}
