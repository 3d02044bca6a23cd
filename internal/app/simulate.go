package app

import (
	"context"
	"errors"
	"fmt"
	"io"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim"
	"benchvigil/internal/sim/play"
)

// SimOptions say which supplies to simulate for a program that runs elsewhere.
type SimOptions struct {
	Stations int
	Listen   string // of the page, in the configuration that is printed
	Profiles string
	Out      io.Writer
}

// Sim serves the supplies of a simulated bench in real time until ctx ends,
// and prints a configuration that watches them.
func Sim(ctx context.Context, o SimOptions) (err error) {
	if o.Stations < 1 || o.Stations > 1000 {
		return fmt.Errorf("%w: %d stations: from 1 to 1000 can be simulated", ErrConfig, o.Stations)
	}
	b, err := play.New(play.Options{Stations: o.Stations, Stories: onSupplies(), Speed: 1})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	if err := printConfig(o, b); err != nil {
		return err
	}
	<-ctx.Done()
	return nil
}

func onSupplies() (out []*sim.Scenario) {
	for _, s := range sim.Scenarios() {
		if s.Hookup.Path == bench.FromSupply {
			out = append(out, s)
		}
	}
	return out
}

func printConfig(o SimOptions, b *play.Bench) error {
	text := fmt.Sprintf("bench: simulated\nlisten: %s\nprofiles: %s\nstations:\n", o.Listen, o.Profiles)
	for _, st := range b.Stations {
		text += fmt.Sprintf("  - {id: %s, profile: invented-handset, supply: {address: \"tcp://%s\"}}\n", st.ID, st.Supply)
	}
	_, err := io.WriteString(o.Out, text)
	return err
}
