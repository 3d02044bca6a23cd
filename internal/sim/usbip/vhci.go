package usbip

import (
	"fmt"
	"strconv"
	"strings"
)

// speedHigh is high speed (480 Mbit/s) in the kernel's enum usb_device_speed.
const speedHigh = 3

// stateFree is a port's state when a device may be attached to it
// (VDEV_ST_NULL).
const stateFree = 4

// Port names a high-speed port of the virtual host controllers.
type Port struct {
	Controller int // the N of vhci_hcd.N
	Index      int // from 0; the port path ends in Index + 1
}

// portStatus is one line of vhci_hcd's status file.
type portStatus struct {
	Super  bool // a USB 3 port
	Number int  // counted over all controllers
	State  int
}

// parseStatus reads a status file of vhci_hcd. Its columns are: hub (hs or
// ss), port, state, speed, device, socket, local bus ID; the first line names
// them (kernel drivers/usb/usbip/vhci_sysfs.c).
func parseStatus(text string) ([]portStatus, error) {
	var ports []portStatus
	for line := range strings.Lines(text) {
		f := strings.Fields(line)
		if len(f) == 0 || f[0] == "hub" {
			continue
		}
		p, err := parsePort(f)
		if err != nil {
			return nil, fmt.Errorf("vhci status line %q: %w", strings.TrimSpace(line), err)
		}
		ports = append(ports, p)
	}
	return ports, nil
}

func parsePort(f []string) (p portStatus, err error) {
	if len(f) < 3 || f[0] != "hs" && f[0] != "ss" {
		return p, fmt.Errorf("want hs or ss, port and state")
	}
	p.Super = f[0] == "ss"
	if p.Number, err = strconv.Atoi(f[1]); err != nil {
		return p, fmt.Errorf("port: %w", err)
	}
	if p.State, err = strconv.Atoi(f[2]); err != nil {
		return p, fmt.Errorf("state: %w", err)
	}
	return p, nil
}

// highSpeed finds the index-th high-speed port of one controller's status.
func highSpeed(ports []portStatus, index int) (portStatus, error) {
	n := index
	for _, p := range ports {
		if p.Super {
			continue
		}
		if n == 0 {
			return p, nil
		}
		n--
	}
	return portStatus{}, fmt.Errorf("no high-speed port %d among %d ports", index, len(ports))
}

// attachLine is what vhci_hcd's attach file takes: port, socket, device ID and
// speed. The device ID is for show, but must not be the same for two.
func attachLine(number, fd int) string {
	return fmt.Sprintf("%d %d %d %d", number, fd, 1<<16|(number+2), speedHigh)
}
