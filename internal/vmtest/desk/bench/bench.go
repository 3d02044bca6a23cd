//go:build linux

package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim"
	"benchvigil/internal/sim/scpi"
	"benchvigil/internal/sim/usbip"
	"benchvigil/internal/unit"
)

// emulated is the bench: its seats from left to right.
type emulated struct{ seats []*seat }

// tcpSupply is where the left supply is on the network.
const tcpSupply = "127.0.0.1:5025"

// newBench puts a running board on each seat: the left one on a supply on the
// network, the middle one on a supply on a serial line, the right one on a USBTMC
// supply. The boards share a root hub, the supplies another.
func newBench() (*emulated, error) {
	left := newSeat("left", 0, "a supply on the network, tcp://"+tcpSupply)
	middle := newSeat("middle", 1, "a supply on a serial line over USB, 115200 baud")
	right := newSeat("right", 2, "a USBTMC supply")
	if _, err := scpi.Listen(tcpSupply, left.instrument("BV-N")); err != nil {
		return nil, err
	}
	if err := middle.addSupply("BV-S", 0x0010, 3, func(answer func(string) string) usbip.Function { return usbip.NewSerial(answer) }); err != nil {
		return nil, err
	}
	if err := right.addSupply("BV-T", 0x0011, 4, func(answer func(string) string) usbip.Function { return usbip.NewTMC(answer) }); err != nil {
		return nil, err
	}
	b := &emulated{[]*seat{left, middle, right}}
	for _, s := range b.seats {
		go s.live()
	}
	return b, nil
}

// obey does what a command says, and answers.
func (b *emulated) obey(words []string) (string, error) {
	if len(words) == 0 {
		return b.show(), nil
	}
	if len(words) < 2 {
		return "", fmt.Errorf("%s: which seat", words[0])
	}
	i := slices.IndexFunc(b.seats, func(s *seat) bool { return s.name == words[1] })
	if i < 0 {
		return "", fmt.Errorf("no seat %q: there are left, middle and right", words[1])
	}
	s := b.seats[i]
	if err := s.obey(words[0], strings.Join(words[2:], " ")); err != nil {
		return "", err
	}
	return s.show(), nil
}

func (b *emulated) show() string {
	var t strings.Builder
	for _, s := range b.seats {
		t.WriteString(s.show())
	}
	return t.String()
}

// states are what a board can be told to do, with what it shows meanwhile.
var states = []struct {
	name  string
	phase sim.Phase
}{
	{"off", sim.Phase{}},
	{"standby", sim.Phase{Amps: 8 * unit.Milliampere, Ripple: unit.Milliampere}},
	{"starting", sim.Phase{Amps: 600 * unit.Milliampere, Ripple: 350 * unit.Milliampere}},
	{"recovery", sim.Phase{Amps: 400 * unit.Milliampere, Ripple: 60 * unit.Milliampere, ID: handset(2), URBs: 8}},
	{"restoring", sim.Phase{Amps: 850 * unit.Milliampere, Ripple: 400 * unit.Milliampere, ID: handset(3), URBs: 300}},
	{"stuck", sim.Phase{Amps: 480 * unit.Milliampere, Ripple: 2 * unit.Milliampere, ID: handset(3)}},
	{"running", sim.Phase{Amps: 350 * unit.Milliampere, Ripple: 90 * unit.Milliampere, ID: handset(4), URBs: 3}},
}

// handset is an identity of the invented handset.
func handset(product uint16) bench.USBID { return bench.USBID{Vendor: 0x1209, Product: product} }

func stateNames() (names []string) {
	for _, s := range states {
		names = append(names, s.name)
	}
	return names
}

// state is the story of a board that does one thing for good.
func state(name string) (*sim.Scenario, error) {
	for _, s := range states {
		if s.name == name {
			return forGood(name, s.phase), nil
		}
	}
	return nil, fmt.Errorf("no state %q: there are %s", name, strings.Join(stateNames(), ", "))
}

// forGood makes a story of one phase, which lasts beyond its end.
func forGood(name string, p sim.Phase) *sim.Scenario {
	p.For = time.Hour
	return &sim.Scenario{Name: name, Phases: []sim.Phase{p}}
}
