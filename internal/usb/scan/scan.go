//go:build cgo

package scan

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/google/gousb"

	"benchvigil/internal/usb"
)

// Devices lists what libusb finds now, root hubs too, in the order of their
// ports. Devices and an error may come together: the error then says why the
// list is incomplete. A context that has ended is noticed between two devices;
// a hang inside libusb ends only with the process.
func Devices(ctx context.Context) (devices []usb.Device, err error) {
	// NewContext panics when libusb cannot start.
	defer func() {
		if r := recover(); r != nil {
			err = errors.Join(err, fmt.Errorf("libusb: %v", r))
		}
	}()
	// A fresh context: a long-lived one misses changes where no udev daemon runs.
	c := gousb.NewContext()
	defer func() { err = errors.Join(err, c.Close()) }()
	_, err = c.OpenDevices(func(d *gousb.DeviceDesc) bool {
		if ctx.Err() == nil {
			devices = append(devices, device(d))
		}
		return false // never open
	})
	if err != nil {
		err = fmt.Errorf("libusb: describe a device: %w", err)
	}
	slices.SortFunc(devices, func(a, b usb.Device) int { return strings.Compare(a.Port, b.Port) })
	return devices, errors.Join(err, ctx.Err())
}

func device(d *gousb.DeviceDesc) usb.Device {
	return usb.Device{
		Bus:     d.Bus,
		Address: d.Address,
		Port:    port(d.Bus, d.Path),
		Vendor:  usb.Hex16(d.Vendor),
		Product: usb.Hex16(d.Product),
		Class:   uint8(d.Class),
		Speed:   speed(d.Speed),
	}
}

// port writes a path as the kernel does: "1-2.3", "usb1" for a root hub.
func port(bus int, path []int) string {
	if len(path) == 0 {
		return fmt.Sprintf("usb%d", bus)
	}
	chain := make([]string, len(path))
	for i, n := range path {
		chain[i] = strconv.Itoa(n)
	}
	return fmt.Sprintf("%d-%s", bus, strings.Join(chain, "."))
}

// superPlus is LIBUSB_SPEED_SUPER_PLUS, which gousb has no name for.
const superPlus gousb.Speed = 5

func speed(s gousb.Speed) string {
	switch {
	case s == superPlus:
		return "super+"
	case s.String() == "":
		return gousb.SpeedUnknown.String()
	}
	return s.String()
}
