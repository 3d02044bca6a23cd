//go:build linux

package main

import (
	"sync/atomic"

	"benchvigil/internal/sim/scpi"
	"benchvigil/internal/unit"
)

// supplyAddress is where the configuration looks for the supply.
const supplyAddress = "127.0.0.1:5025"

// supplyVolts is what every supply of the bench holds.
const supplyVolts = 3800 * unit.Millivolt

// supply is a bench supply: it holds its volts, and the board draws what it is
// told to.
type supply struct{ amps, behaviour atomic.Int64 }

// listen has the supply answer on loopback until the machine ends.
func (s *supply) listen() error {
	_, err := scpi.Listen(supplyAddress, scpi.Options{Read: s.reading})
	return err
}

func (s *supply) set(amps unit.Current) { s.amps.Store(int64(amps)) }

func (s *supply) behave(b scpi.Behaviour) { s.behaviour.Store(int64(b)) }

func (s *supply) reading() scpi.Reading {
	return scpi.Reading{
		Volts: supplyVolts, SetVolts: supplyVolts,
		Amps: unit.Current(s.amps.Load()), LimitAmps: 2 * unit.Ampere, Output: true,
		Behaviour: scpi.Behaviour(s.behaviour.Load()),
	}
}
