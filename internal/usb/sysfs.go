package usb

import (
	"errors"
	"fmt"
	"io/fs"
	"strconv"
	"strings"
	"syscall"
	"unicode"

	"benchvigil/internal/bench"
)

// devices is where the kernel lists USB devices by port path, below the root.
const devices = "bus/usb/devices"

// maxSerial is the longest string a USB descriptor can hold, in characters.
const maxSerial = 126

// errNoUSB is told to a technician.
var errNoUSB = errors.New("the system shows no USB (sysfs has no " + devices + "): is the USB driver loaded, and is /sys there?")

// errVanishing says that a device comes or goes while it is looked at.
var errVanishing = errors.New("device is coming or going")

// standing is what stands on a port. The device number tells one enumeration
// from the next, even of the same device.
type standing struct {
	present bool
	devnum  int
	id      bench.USBID
}

// sysfs reads the kernel's picture. Except for serial, its methods read only
// attributes that never block, whatever a device does.
type sysfs struct{ fs fs.FS }

// sight reports why USB cannot be watched at all, or nil.
func (s sysfs) sight() error {
	info, err := fs.Stat(s.fs, devices)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return errNoUSB
	case err != nil:
		return fmt.Errorf("the system's list of USB devices cannot be read: %w", err)
	case !info.IsDir():
		return fmt.Errorf("the system's list of USB devices, %s in sysfs, is not a directory", devices)
	}
	return nil
}

// look reads what stands on a port. errVanishing asks to look again shortly.
func (s sysfs) look(port string) (standing, error) {
	devnum, err := s.devnum(port)
	if errors.Is(err, fs.ErrNotExist) {
		return standing{}, nil
	}
	if err != nil {
		return standing{}, vanishing(err)
	}
	vendor, err := s.hex(port, "idVendor")
	if err != nil {
		return standing{}, vanishing(err)
	}
	product, err := s.hex(port, "idProduct")
	if err != nil {
		return standing{}, vanishing(err)
	}
	// The path may have come to mean another device in between.
	if again, err := s.devnum(port); err != nil || again != devnum {
		return standing{}, errVanishing
	}
	return standing{true, devnum, bench.USBID{Vendor: vendor, Product: product}}, nil
}

// vanishing tells an attribute that went away from one that cannot be read.
func vanishing(err error) error {
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENODEV) {
		return errVanishing
	}
	return err
}

// urbs reads the traffic count, and whose it is.
func (s sysfs) urbs(port string) (n uint64, devnum int, err error) {
	text, err := s.attribute(port, "urbnum")
	if err != nil {
		return 0, 0, err
	}
	if n, err = strconv.ParseUint(text, 10, 64); err != nil {
		return 0, 0, fmt.Errorf("urbnum of port %s: %w", port, err)
	}
	devnum, err = s.devnum(port)
	return n, devnum, err
}

// serial reads the serial number, empty where the device has none, and whose
// it is. It may block for as long as a hub is stuck.
func (s sysfs) serial(port string) (serial string, devnum int, err error) {
	text, err := s.attribute(port, "serial")
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", 0, err
	}
	devnum, err = s.devnum(port)
	return printable(text), devnum, err
}

func (s sysfs) devnum(port string) (int, error) {
	text, err := s.attribute(port, "devnum")
	if err != nil {
		return 0, err
	}
	n, err := strconv.Atoi(text)
	if err != nil {
		return 0, fmt.Errorf("devnum of port %s: %w", port, err)
	}
	return n, nil
}

func (s sysfs) hex(port, name string) (uint16, error) {
	text, err := s.attribute(port, name)
	if err != nil {
		return 0, err
	}
	n, err := bench.ParseHex16(text)
	if err != nil {
		return 0, fmt.Errorf("%s of port %s: %w", name, port, err)
	}
	return n, nil
}

func (s sysfs) attribute(port, name string) (string, error) {
	b, err := fs.ReadFile(s.fs, devices+"/"+port+"/"+name)
	return strings.TrimSuffix(string(b), "\n"), err
}

// printable makes a string that a device sent fit to be shown.
func printable(s string) string {
	n := 0
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if n++; n > maxSerial || !unicode.IsPrint(r) || r == unicode.ReplacementChar {
			return -1
		}
		return r
	}, s))
}
