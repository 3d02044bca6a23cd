//go:build linux

package main

import (
	"context"
	"fmt"
	"os"
	"strings"
	"sync"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim"
	"benchvigil/internal/sim/scpi"
	"benchvigil/internal/sim/usbip"
	"benchvigil/internal/unit"
)

const (
	every     = 200 * time.Millisecond // how soon hands and stories show on the ports
	freeAfter = 10 * time.Second       // the longest that the kernel takes to let go of a device
	volts     = 3800 * unit.Millivolt
)

// seat is a place at the bench: a board, its cable and its supply. What the
// board does is a story that began at a moment; the devices on the ports are
// made to agree with it again and again.
type seat struct {
	name, supply string
	board, power port

	mu     sync.Mutex
	story  *sim.Scenario
	began  time.Time
	cable  bool
	pulled bool // the supply's plug
	silent bool
}

// port is a USB port and what is on it. Only live touches it.
type port struct {
	at     usbip.Port
	device usbip.Device // of a supply that is on USB; its ID is zero where there is none
	plug   *usbip.Plug
	on     bench.USBID
	node   string // its usbfs file, once the kernel has enumerated it
	asked  uint64 // transfers of it
}

func newSeat(name string, index int, supply string) *seat {
	running, err := state("running")
	if err != nil {
		panic(err) // it is in the table
	}
	return &seat{
		name: name, supply: supply, story: running, began: time.Now(), cable: true,
		board: port{at: usbip.Port{Controller: 0, Index: index}, device: usbip.Device{
			Release: 0x0100, Manufacturer: "Invented", Product: "Handset", Serial: "BV-" + strings.ToUpper(name),
		}},
	}
}

// instrument is what the seat's supply answers to.
func (s *seat) instrument(model string) scpi.Options {
	return scpi.Options{IDN: "Invented Instruments," + model + ",1,1.0", Read: s.reading}
}

// addSupply gives the seat a supply that is itself on USB.
func (s *seat) addSupply(model string, product uint16, index int, over func(answer func(string) string) usbip.Function) error {
	in, err := scpi.NewInstrument(s.instrument(model))
	if err != nil {
		return err
	}
	s.power = port{at: usbip.Port{Controller: 1, Index: index}, device: usbip.Device{
		ID: handset(product), Release: 0x0100, Manufacturer: "Invented", Product: "Supply", Serial: model + "-1", Function: over(in.Answer),
	}}
	return nil
}

func (s *seat) reading() scpi.Reading {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.story.Read(time.Since(s.began))
	out := scpi.Reading{Volts: volts, SetVolts: volts, Amps: r.Amps, LimitAmps: 2 * unit.Ampere, Output: true}
	switch {
	case s.pulled:
		out.Behaviour = scpi.Refusing
	case r.Silent || s.silent:
		out.Behaviour = scpi.Silent
	}
	return out
}

// obey does one thing that hands do.
func (s *seat) obey(verb, what string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch verb {
	case "plug":
		s.cable = true
	case "unplug":
		s.cable = false
	case "board":
		return s.begin(state(what))
	case "play":
		return s.begin(sim.ByName(what))
	case "amps":
		amps, err := unit.ParseAmps(what)
		if err != nil {
			return err
		}
		return s.begin(forGood(what+" A", sim.Phase{Amps: amps, ID: s.story.ID(time.Since(s.began)), URBs: 3}), nil)
	case "supply":
		return s.turnSupply(what)
	default:
		return fmt.Errorf("no command %q", verb)
	}
	return nil
}

func (s *seat) begin(story *sim.Scenario, err error) error {
	if err == nil {
		s.story, s.began = story, time.Now()
	}
	return err
}

func (s *seat) turnSupply(what string) error {
	switch what {
	case "pulled":
		s.pulled = true
	case "silent":
		s.pulled, s.silent = false, true
	case "answering":
		s.pulled, s.silent = false, false
	default:
		return fmt.Errorf("a supply is pulled, silent or answering, not %q", what)
	}
	return nil
}

func (s *seat) show() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	cable := "cable in"
	if !s.cable {
		cable = "cable out"
	}
	supply := map[bool]string{s.silent: ", silent", s.pulled: ", pulled"}[true]
	return fmt.Sprintf("%-7s board %s, %s; on %s%s\n", s.name, s.story.Name, cable, s.supply, supply)
}

// wanted is what should be on the two ports now, and how many transfers the
// board should have seen.
func (s *seat) wanted() (board, power bench.USBID, transfers uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	at := time.Since(s.began)
	if s.cable {
		board = s.story.ID(at)
	}
	if !s.pulled {
		power = s.power.device.ID
	}
	return board, power, min(s.story.URBs(at), uint64(at.Seconds()*mostTraffic))
}

// live keeps the ports as they should be, for as long as the machine runs.
func (s *seat) live() {
	for range time.Tick(every) {
		board, power, transfers := s.wanted()
		for _, err := range []error{s.power.hold(power), s.board.hold(board), s.board.transfer(transfers)} {
			if err != nil {
				fmt.Fprintf(os.Stderr, "bench: %s: %v\n", s.name, err)
			}
		}
	}
}

// hold sees to it that a device is on the port.
func (p *port) hold(id bench.USBID) (err error) {
	if id == p.on {
		return nil
	}
	if p.plug != nil {
		ctx, cancel := context.WithTimeout(context.Background(), freeAfter)
		defer cancel()
		if err := p.plug.Unplug(ctx); err != nil {
			return err
		}
		p.plug, p.on = nil, bench.USBID{}
	}
	if id == (bench.USBID{}) {
		return nil
	}
	d := p.device
	d.ID = id
	if p.plug, err = usbip.Attach(d, p.at); err != nil {
		return err
	}
	p.on, p.node = id, ""
	return nil
}
