package bench

import (
	"fmt"
	"strconv"
	"strings"
)

// USBID is a USB vendor and product number, printed as four lower-case hex
// digits each, "1209:0003".
type USBID struct{ Vendor, Product uint16 }

// ParseUSBID reads "vvvv:pppp", four hex digits each.
func ParseUSBID(s string) (USBID, error) {
	v, p, ok := strings.Cut(s, ":")
	if !ok {
		return USBID{}, fmt.Errorf("%q is not a USB identity: write vendor:product in hex, like 1209:0003", s)
	}
	vendor, err := ParseHex16(v)
	if err != nil {
		return USBID{}, fmt.Errorf("USB identity %q: vendor %w", s, err)
	}
	product, err := ParseHex16(p)
	if err != nil {
		return USBID{}, fmt.Errorf("USB identity %q: product %w", s, err)
	}
	return USBID{vendor, product}, nil
}

// ParseHex16 reads one to four hex digits without a prefix, as sysfs and
// recordings write them.
func ParseHex16(s string) (uint16, error) {
	n, err := strconv.ParseUint(s, 16, 16)
	if err != nil || len(s) > 4 {
		return 0, fmt.Errorf("%q is not a number of up to four hex digits", s)
	}
	return uint16(n), nil
}

// String prints "vvvv:pppp".
func (id USBID) String() string { return fmt.Sprintf("%04x:%04x", id.Vendor, id.Product) }
