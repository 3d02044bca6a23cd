//go:build linux

package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim/usbip"
)

// mostTraffic is how many transfers a second the emulated computer has time for.
const mostTraffic = 40

// transfer plays the computer's program that restores or copies: it asks the
// board for its status until it has seen so many transfers.
func (p *port) transfer(n uint64) error {
	switch {
	case p.on == (bench.USBID{}):
		return nil
	case n < p.asked: // another story began
		p.asked = n
		return nil
	case n == p.asked:
		return nil
	}
	if p.node == "" {
		p.asked = n // what it missed until now is not made up for
		return p.find()
	}
	err := askStatus(p.node, n-p.asked)
	p.asked = n
	if errors.Is(err, unix.ENODEV) || errors.Is(err, os.ErrNotExist) {
		return nil // it is just being pulled
	}
	return err
}

// find finds the usbfs file, if there is one by now.
func (p *port) find() (err error) {
	p.node, err = usbNode(p.at)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return err
}

// controlTransfer is struct usbdevfs_ctrltransfer of linux/usbdevice_fs.h.
type controlTransfer struct {
	requestType, request uint8
	value, index, length uint16
	timeout              uint32 // ms
	data                 unsafe.Pointer
}

// usbdevfsControl is USBDEVFS_CONTROL on 64-bit machines.
const usbdevfsControl = 0xc0185500

// askStatus sends n GET_STATUS requests through usbfs.
func askStatus(node string, n uint64) error {
	f, err := os.OpenFile(node, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close() //nolint:errcheck // nothing was written to the file itself
	status := new([2]byte)
	t := &controlTransfer{requestType: 0x80, length: uint16(len(status)), timeout: 1000, data: unsafe.Pointer(status)}
	for range n {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, f.Fd(), usbdevfsControl, uintptr(unsafe.Pointer(t)))
		if errno != 0 {
			return fmt.Errorf("get status of %s: %w", node, errno)
		}
	}
	runtime.KeepAlive(status)
	return nil
}

// usbNode is the usbfs file of what is on the port.
func usbNode(p usbip.Port) (string, error) {
	path, err := usbip.PortPath(p)
	if err != nil {
		return "", err
	}
	var numbers [2]int
	for i, name := range []string{"busnum", "devnum"} {
		text, err := os.ReadFile(filepath.Join("/sys/bus/usb/devices", path, name))
		if err != nil {
			return "", err
		}
		if numbers[i], err = strconv.Atoi(strings.TrimSpace(string(text))); err != nil {
			return "", err
		}
	}
	return fmt.Sprintf("/dev/bus/usb/%03d/%03d", numbers[0], numbers[1]), nil
}
