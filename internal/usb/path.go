package usb

import (
	"strconv"
	"strings"
)

// maxDepth is the longest chain of ports: USB 2.0 section 4.1.1 allows seven
// tiers with the root hub (section number from memory; Linux: MAX_TOPO_LEVEL 6
// in drivers/usb/core/hub.h, from memory).
const maxDepth = 6

// ValidPort reports whether s is a port path as the kernel writes it: the bus,
// a dash and the chain of ports, "1-2.3". Root hubs ("usb1") and interfaces
// ("1-2:1.0") are not ports.
func ValidPort(s string) bool {
	bus, chain, ok := strings.Cut(s, "-")
	if !ok || !validNumber(bus, 999) || strings.Count(chain, ".") >= maxDepth {
		return false
	}
	for p := range strings.SplitSeq(chain, ".") {
		if !validNumber(p, 255) {
			return false
		}
	}
	return true
}

// validNumber accepts 1 to most in plain decimal without leading zeros.
func validNumber(s string, most int) bool {
	n, err := strconv.Atoi(s)
	return err == nil && n >= 1 && n <= most && strconv.Itoa(n) == s
}

// isRootHub accepts "usb1".
func isRootHub(s string) bool {
	bus, ok := strings.CutPrefix(s, "usb")
	return ok && validNumber(bus, 999)
}

// portOf returns the port path of a device's sysfs path, such as
// "/devices/pci0000:00/0000:00:14.0/usb1/1-2/1-2.3".
func portOf(devpath string) (string, bool) {
	p := devpath[strings.LastIndexByte(devpath, '/')+1:]
	return p, ValidPort(p)
}
