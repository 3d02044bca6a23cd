//go:build linux

package main

import (
	"sync/atomic"

	"benchvigil/internal/sim/scpi"
	"benchvigil/internal/unit"
)

// supplyAddress is where the configuration looks for the supply.
const supplyAddress = "127.0.0.1:5025"

// supply is the bench supply: it holds its volts, and the board draws what it
// is told to.
type supply struct{ amps atomic.Int64 }

// startSupply has the supply answer on loopback until the machine ends.
func startSupply() (*supply, error) {
	s := &supply{}
	_, err := scpi.Listen(supplyAddress, scpi.Options{Read: s.reading})
	return s, err
}

func (s *supply) set(amps unit.Current) { s.amps.Store(int64(amps)) }

func (s *supply) reading() scpi.Reading {
	return scpi.Reading{
		Volts: 3800 * unit.Millivolt, SetVolts: 3800 * unit.Millivolt,
		Amps: unit.Current(s.amps.Load()), LimitAmps: 2 * unit.Ampere, Output: true,
	}
}
