// Package app wires the program: it turns a configuration into stations,
// sources and sinks, starts them in order and stops them in the reverse order.
// It is the only package that sees all the others. It decides nothing about
// boards; that is infer's.
//
// A newcomer reads Run in run.go, then Plan in plan.go.
package app

import (
	"errors"

	"benchvigil/internal/recording"
)

// Sentinels by which main chooses an exit code.
var (
	// ErrCommand marks a command line that asks for what cannot be.
	ErrCommand = errors.New("bad command line")
	// ErrConfig marks a configuration that cannot be used.
	ErrConfig = errors.New("bad configuration")
	// ErrRecord marks files of the record that cannot be written.
	ErrRecord = errors.New("the record cannot be written")
	// ErrHardware marks hardware that is permanently missing or forbidden.
	ErrHardware = errors.New("hardware missing or forbidden")
	// ErrLedger marks a ledger of which something cannot be read.
	ErrLedger = errors.New("unreadable ledger")
	// ErrUnreadable marks input that cannot be read.
	ErrUnreadable = recording.ErrUnreadable
)
