//go:build linux

package main

import (
	"context"
	"fmt"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim/usbip"
)

// The identities of the invented handset in each of its modes.
var (
	inRecovery  = bench.USBID{Vendor: 0x1209, Product: 0x0002}
	inRestoring = bench.USBID{Vendor: 0x1209, Product: 0x0003}
	inRunning   = bench.USBID{Vendor: 0x1209, Product: 0x0004}
)

// Limits of what the kernel itself may take.
const (
	enumeration = 15 * time.Second
	removal     = 10 * time.Second
)

// socket is one USB port of the bench and what is plugged into it.
type socket struct {
	station string  // "" for the port of an instrument
	supply  *supply // that feeds the board; nil: a battery
	port    usbip.Port
	path    string // as the configuration names it
	plug    *usbip.Plug
	did     []change // everything that was ever done here
}

// change is a device coming or going: as done here, stamped by the uevent that
// told it, or as observed by benchvigil, stamped by the observation.
type change struct {
	what string // "add 1-1 1209:0002", "remove 1-1"
	at   time.Time
}

// device is the handset under the identity of one of its modes.
func device(id bench.USBID) usbip.Device {
	return usbip.Device{ID: id, Release: 0x0100, Manufacturer: "Invented", Product: "Handset", Serial: "BV-0001"}
}

// plugIn plugs the handset in and waits until the kernel has bound it; before,
// it could not be pulled without a delay. It returns the moment of the uevent
// that announced it.
func (r *rig) plugIn(ctx context.Context, s *socket, id bench.USBID) (time.Time, error) {
	return r.plug(ctx, s, device(id))
}

func (r *rig) plug(ctx context.Context, s *socket, d usbip.Device) (time.Time, error) {
	mark := r.uevents.mark()
	if err := s.attach(d); err != nil {
		return time.Time{}, err
	}
	id := d.ID
	added, err := r.uevents.wait(ctx, mark, enumeration, "uevent add of "+s.path, s.said("add", id))
	if err != nil {
		return time.Time{}, err
	}
	s.did = append(s.did, change{"add " + s.path + " " + id.String(), added.at})
	_, err = r.uevents.wait(ctx, mark, enumeration, "uevent bind of "+s.path, s.said("bind", id))
	return added.at, err
}

func (s *socket) attach(d usbip.Device) (err error) {
	s.plug, err = usbip.Attach(d, s.port)
	return err
}

// pull unplugs what is there and waits for the uevent that tells.
func (r *rig) pull(ctx context.Context, s *socket) error {
	mark := r.uevents.mark()
	if err := s.detach(ctx); err != nil {
		return err
	}
	removed, err := r.uevents.wait(ctx, mark, removal, "uevent remove of "+s.path, func(u uevent) bool {
		return u.action == "remove" && u.port == s.path
	})
	if err != nil {
		return err
	}
	s.did = append(s.did, change{"remove " + s.path, removed.at})
	return nil
}

func (s *socket) detach(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, removal)
	defer cancel()
	p := s.plug
	s.plug = nil
	return p.Unplug(ctx)
}

// said matches the uevent with which the kernel tells of the device.
func (s *socket) said(action string, id bench.USBID) func(uevent) bool {
	want := uevent{action, s.path, fmt.Sprintf("%x/%x", id.Vendor, id.Product)}
	return func(u uevent) bool { return u == want }
}

// urbnum is the kernel's count of transfers with what is plugged in.
func (s *socket) urbnum() (string, error) {
	return attribute("/sys/bus/usb/devices", s.path, "urbnum")
}
