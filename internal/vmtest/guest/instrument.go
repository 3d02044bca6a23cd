//go:build linux

package main

import (
	"context"
	"fmt"
	"os"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim/scpi"
	"benchvigil/internal/sim/usbip"
)

// instrument is a bench supply that is itself on USB.
type instrument struct {
	name   string // as it answers *IDN?
	node   string // the device file that the kernel's driver makes of it
	device usbip.Device
	at     *socket // where it is plugged in
	board  *socket // what it feeds
	shows  *supply
}

// nodeWithin is how long a driver may take after the device is bound.
const nodeWithin = 5 * time.Second

// makeInstruments makes what the configuration's last two stations have; none
// is plugged in yet.
func (r *rig) makeInstruments() (err error) {
	r.serial, err = newInstrument(instrument{
		name: "Invented Instruments,BV-S,1,1.0", node: "/dev/ttyACM0", shows: &supply{},
		device: usbip.Device{ID: bench.USBID{Vendor: 0x1209, Product: 0x0010}, Serial: "BV-S-1"},
		at:     &socket{port: usbip.Port{Controller: 1, Index: 3}, path: "3-4"},
		board:  &socket{station: "s4", port: usbip.Port{Controller: 1, Index: 1}, path: "3-2"},
	}, func(answer func(string) string) usbip.Function { return usbip.NewSerial(answer) })
	if err != nil {
		return err
	}
	r.usbtmc, err = newInstrument(instrument{
		name: "Invented Instruments,BV-T,1,1.0", node: "/dev/usbtmc0", shows: &supply{},
		device: usbip.Device{ID: bench.USBID{Vendor: 0x1209, Product: 0x0011}, Serial: "BV-T-1"},
		at:     &socket{port: usbip.Port{Controller: 1, Index: 4}, path: "3-5"},
		board:  &socket{station: "s5", port: usbip.Port{Controller: 1, Index: 2}, path: "3-3"},
	}, func(answer func(string) string) usbip.Function { return usbip.NewTMC(answer) })
	return err
}

// newInstrument gives i its answers.
func newInstrument(i instrument, over func(answer func(string) string) usbip.Function) (*instrument, error) {
	in, err := scpi.NewInstrument(scpi.Options{IDN: i.name, Read: i.shows.reading})
	if err != nil {
		return nil, err
	}
	i.board.supply = i.shows
	i.device.Release, i.device.Manufacturer, i.device.Product = 0x0100, "Invented", "Supply"
	i.device.Function = over(in.Answer)
	return &i, nil
}

// plugInstrument plugs i in and waits for its device file. It returns when that
// was there.
func (r *rig) plugInstrument(ctx context.Context, i *instrument) (time.Time, error) {
	if _, err := r.plug(ctx, i.at, i.device); err != nil {
		return time.Time{}, fmt.Errorf("plug in the instrument of %s: %w", i.board.station, err)
	}
	ctx, cancel := context.WithTimeout(ctx, nodeWithin)
	defer cancel()
	for {
		_, err := os.Stat(i.node)
		if err == nil {
			return time.Now(), nil
		}
		if pause(ctx, filePoll); ctx.Err() != nil {
			return time.Time{}, fmt.Errorf("instrument of %s: %w", i.board.station, err)
		}
	}
}
