package app

import (
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/config"
	"benchvigil/internal/inhibit"
	"benchvigil/internal/ledger"
	"benchvigil/internal/profile"
	"benchvigil/internal/recording"
	"benchvigil/internal/supply"
	"benchvigil/internal/systemd"
	"benchvigil/internal/usb"
)

// Plan is everything that a bench needs to run, whether it comes from a
// configuration or from a simulation.
type Plan struct {
	Bench    string
	Listen   string
	Banner   string // shown on every page; empty in earnest
	Version  string
	Stations []StationPlan
	USB      usb.Options      // Ports, Now and Logger are filled in
	Events   string           // file that events are added to; empty: none
	Record   string           // file that observations are written to; empty: none
	Data     string           // folder of the ledger; empty: none is kept
	Retain   ledger.Retention // how long traces are kept there
	Boot     string           // which start of the computer this is, so that device numbers can be compared; empty: unknown
	Awake    inhibit.Hold     // keeps the computer awake while a goal is armed or a run goes on; nil: nothing does
	Extra    []Source         // further sources of observations, such as a simulation's marks
	Now      func() time.Time
	Logger   *zap.Logger
	Started  func(url string)  // told where the page is, before anything else happens
	From     config.Config     // what the plan was made of; zero in a simulation
	Reload   Reload            // when another plan is to take its place; zero: never
	Service  *systemd.Notifier // who wants to know how it goes; nil: nobody
}

// StationPlan is one station.
type StationPlan struct {
	ID, Name, Port string
	Hookup         bench.Hookup
	Profile        *profile.Profile
	Window         time.Duration    // 0: the profile's
	Auto           []bench.Mode     // entering one of these arms the goal that fits it
	Supply         *supply.Options  // nil: no readings; Station, Name, Links, Now and Logger are filled in
	Meters         []supply.Options // beside the board, each with its Channel; filled in likewise
}

// header describes the stations in a recording.
func (p *Plan) header() recording.Header {
	h := recording.Header{Bench: p.Bench, Stations: map[string]recording.Stations{}}
	for _, s := range p.Stations {
		h.Stations[s.ID] = recording.Describe(s.Hookup)
	}
	return h
}

// ports maps port paths to stations.
func (p *Plan) ports() map[string]string {
	out := map[string]string{}
	for _, s := range p.Stations {
		if s.Port != "" {
			out[s.Port] = s.ID
		}
	}
	return out
}
