package usb

import (
	"errors"
	"fmt"
	"io/fs"
	"strconv"
	"strings"

	"benchvigil/internal/bench"
)

// hubClass is bDeviceClass of a hub (USB 2.0, table 11-18, from memory).
const hubClass = "09"

// Seen is a device as somebody who sets the bench up wants to know of it.
type Seen struct {
	ID     bench.USBID
	Number int // of this enumeration: another one is another enumeration
	Hub    bool
}

// Survey lists what stands on all ports of the bus, by port path. It reads only
// attributes that never block; a device that comes or goes meanwhile is left
// out.
func Survey(root fs.FS) (map[string]Seen, error) {
	s := sysfs{root}
	if err := s.sight(); err != nil {
		return nil, err
	}
	entries, err := fs.ReadDir(root, devices)
	if err != nil {
		return nil, fmt.Errorf("list USB devices: %w", err)
	}
	out := map[string]Seen{}
	for _, e := range entries {
		if !ValidPort(e.Name()) {
			continue
		}
		d, err := s.look(e.Name())
		if errors.Is(err, errVanishing) || err == nil && !d.present {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("look at port %s: %w", e.Name(), err)
		}
		class, err := s.attribute(e.Name(), "bDeviceClass")
		out[e.Name()] = Seen{ID: d.id, Number: d.devnum, Hub: err == nil && class == hubClass}
	}
	return out, nil
}

// Listed is what a scan shows on all ports, as Survey tells it.
func Listed(list []Device) map[string]Seen {
	const hub = 9
	out := map[string]Seen{}
	for _, d := range list {
		if ValidPort(d.Port) {
			out[d.Port] = Seen{ID: d.ID(), Number: d.Address, Hub: d.Class == hub}
		}
	}
	return out
}

// HubOf is what a port belongs to: the device on another port, such as "1-3"
// for "1-3.4", or the root hub "usb1" for "1-2".
func HubOf(port string) string {
	if i := strings.LastIndexByte(port, '.'); i >= 0 {
		return port[:i]
	}
	bus, _, _ := strings.Cut(port, "-")
	return "usb" + bus
}

// FindPort says whether the bus has a port of that path, whatever stands there:
// nil if it has, or if the system does not tell.
func FindPort(root fs.FS, port string) error {
	s, hub := sysfs{root}, HubOf(port)
	if _, err := fs.Stat(root, devices+"/"+hub); errors.Is(err, fs.ErrNotExist) {
		if bus, ok := strings.CutPrefix(hub, "usb"); ok {
			return fmt.Errorf("there is no port %s: this computer has no USB bus %s", port, bus)
		}
		return fmt.Errorf("there is no port %s now: no hub stands on port %s", port, hub)
	}
	n, err := strconv.Atoi(port[strings.LastIndexAny(port, ".-")+1:])
	if err != nil {
		return fmt.Errorf("port %q has no number: %w", port, err)
	}
	switch most, known := s.portsOf(hub); {
	case known && most == 0:
		return fmt.Errorf("there is no port %s: what stands on port %s is no hub", port, hub)
	case known && n > most:
		return fmt.Errorf("there is no port %s: the hub %s has ports 1 to %d", port, hub, most)
	}
	return nil
}

// portsOf is how many ports a hub has, where the system tells.
func (s sysfs) portsOf(hub string) (n int, known bool) {
	text, err := s.attribute(hub, "maxchild")
	if err != nil {
		return 0, false
	}
	n, err = strconv.Atoi(text)
	return n, err == nil
}

// Autosuspend says whether the kernel may suspend the device on a port when it
// is idle: its power/control, "on" or "auto" (Documentation/ABI/testing/
// sysfs-devices-power), and after how many seconds unless the device has its
// own (module parameter usbcore.autosuspend), negative for never.
func Autosuspend(root fs.FS, port string) (control string, seconds int, err error) {
	s := sysfs{root}
	if control, err = s.attribute(port, "power/control"); err != nil {
		return "", 0, err
	}
	text, err := s.attribute(port, "power/autosuspend_delay_ms")
	if ms, bad := strconv.Atoi(text); err == nil && bad == nil {
		return control, ms / 1000, nil
	}
	b, err := fs.ReadFile(root, "module/usbcore/parameters/autosuspend")
	if err != nil {
		return "", 0, err
	}
	seconds, err = strconv.Atoi(strings.TrimSpace(string(b)))
	return control, seconds, err
}
