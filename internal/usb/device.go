package usb

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"benchvigil/internal/bench"
)

// Device is one device as libusb lists it.
type Device struct {
	Bus     int    `json:"bus"`
	Address int    `json:"address"` // sysfs: devnum
	Port    string `json:"port"`    // "1-2.3", or "usb1" for a root hub
	Vendor  Hex16  `json:"vendor"`
	Product Hex16  `json:"product"`
	Class   uint8  `json:"class"` // bDeviceClass
	Speed   string `json:"speed"` // "low", "full", "high", "super" …
}

// Hex16 is a vendor or product number, in text four hex digits.
type Hex16 uint16

// ID returns vendor and product.
func (d Device) ID() bench.USBID {
	return bench.USBID{Vendor: uint16(d.Vendor), Product: uint16(d.Product)}
}

// MarshalText writes four hex digits.
func (h Hex16) MarshalText() ([]byte, error) { return fmt.Appendf(nil, "%04x", uint16(h)), nil }

// UnmarshalText reads one to four hex digits.
func (h *Hex16) UnmarshalText(b []byte) error {
	n, err := bench.ParseHex16(string(b))
	*h = Hex16(n)
	return err
}

// enumeration is what the scan child prints.
type enumeration struct {
	Devices []Device `json:"devices"`
	Error   string   `json:"error,omitempty"` // which devices are missing from the list, and why
}

// WriteScan writes the result of an enumeration as ChildScan reads it. Both
// devices and an error may be given: the list is then incomplete.
func WriteScan(w io.Writer, devices []Device, err error) error {
	e := enumeration{Devices: devices}
	if err != nil {
		e.Error = err.Error()
	}
	if err := json.NewEncoder(w).Encode(e); err != nil {
		return fmt.Errorf("write scan: %w", err)
	}
	return nil
}

// readScan is strict: one value, no unknown fields, real paths.
func readScan(b []byte) ([]Device, error) {
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	var e enumeration
	if err := dec.Decode(&e); err != nil {
		return nil, fmt.Errorf("read scan: %w", err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("read scan: more than one value")
	}
	for _, d := range e.Devices {
		if !ValidPort(d.Port) && !isRootHub(d.Port) {
			return nil, fmt.Errorf("read scan: %q is not a port path", d.Port)
		}
	}
	if e.Error != "" {
		return e.Devices, fmt.Errorf("list USB devices: %s", e.Error)
	}
	return e.Devices, nil
}
