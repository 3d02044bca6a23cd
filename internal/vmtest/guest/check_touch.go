//go:build linux

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"benchvigil/internal/bench"
)

const (
	transfers    = 50
	rescansToSee = 3
	rescanLimit  = 40 * time.Second
	scansToDo    = 3
)

// checkTraffic plays the host of a restore: it asks the board's status through
// usbfs, and the traffic count that is recorded must follow exactly.
func checkTraffic(ctx context.Context, r *rig) (string, error) {
	if err := r.freshLeft(ctx); err != nil {
		return "", err
	}
	from := r.mark()
	before, err := r.left.count()
	if err != nil {
		return "", err
	}
	if err := askStatus(r.left, transfers); err != nil {
		return "", err
	}
	after, err := r.left.count()
	if err != nil {
		return "", err
	}
	if after != before+transfers {
		return "", fmt.Errorf("urbnum went from %d to %d in %d transfers", before, after, transfers)
	}
	_, err = r.observations.wait(ctx, from.observations, conclusion, fmt.Sprintf("traffic count %d", after), func(o observation) bool {
		return o.Station == r.left.station && o.Traffic != nil && o.Traffic.URBs == after
	})
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("%d transfers, recorded count %d", transfers, after), nil
}

// freshLeft has a running board on the left that has not been there before.
func (r *rig) freshLeft(ctx context.Context) error {
	if r.left.plug != nil {
		if err := r.pull(ctx, r.left); err != nil {
			return err
		}
	}
	r.supply.set(ampsRunning)
	return r.enter(ctx, r.left, inRunning, bench.Running, ampsRunning)
}

// checkUntouched leaves a board alone, first watched through some rescans and
// scans by libusb, then with the daemon stopped: neither the kernel's count of transfers nor
// the device's own may move.
func checkUntouched(ctx context.Context, r *rig) (string, error) {
	if r.left.plug == nil {
		return "", fmt.Errorf("no board to leave alone")
	}
	began := time.Now()
	watched, err := r.left.quietDuring(func() error {
		return errors.Join(rescans(ctx, rescansToSee), r.left.scans(ctx, scansToDo))
	})
	if err != nil {
		return "", err
	}
	took := time.Since(began)
	r.daemon.stop()
	alone, err := r.left.quietDuring(func() error { pause(ctx, took); return nil })
	if err != nil {
		return "", err
	}
	if watched != (touch{}) || alone != (touch{}) {
		return "", fmt.Errorf("watched %+v, alone %+v", watched, alone)
	}
	return fmt.Sprintf("%s watched, with %d rescans or more and %d scans by libusb: 0 transfers; as long alone: 0", millis(took), rescansToSee, scansToDo), nil
}

// touch is how many transfers a device was asked for: by the kernel's count,
// and by its own.
type touch struct{ kernel, device uint64 }

// quietDuring counts the transfers while something happens.
func (s *socket) quietDuring(happen func() error) (touch, error) {
	kernel, err := s.count()
	if err != nil {
		return touch{}, err
	}
	own := s.plug.Submits()
	if err := happen(); err != nil {
		return touch{}, err
	}
	after, err := s.count()
	return touch{after - kernel, s.plug.Submits() - own}, err
}

// rescans waits until the daemon has looked at the whole bus n times more.
func rescans(ctx context.Context, n float64) error {
	before, err := metric(ctx, metricRescans)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, rescanLimit)
	defer cancel()
	for {
		now, err := metric(ctx, metricRescans)
		if err != nil {
			return err
		}
		if now >= before+n {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("%v rescans, want %v", now-before, n)
		case <-time.After(time.Second):
		}
	}
}

// scans lists the bus n times with the command that the daemon runs for it, and
// expects to find the board.
func (s *socket) scans(ctx context.Context, n int) error {
	for range n {
		out, err := exec.CommandContext(ctx, program, "usb-scan").Output()
		if err != nil {
			return fmt.Errorf("usb-scan: %w", err)
		}
		var list struct {
			Devices []struct{ Port, Vendor, Product string }
			Error   string
		}
		if err := json.Unmarshal(out, &list); err != nil {
			return fmt.Errorf("usb-scan: %w", err)
		}
		found := false
		for _, d := range list.Devices {
			found = found || d.Port == s.path && d.Vendor+":"+d.Product == inRunning.String()
		}
		if !found || list.Error != "" {
			return fmt.Errorf("usb-scan does not show %v on %s: %s", inRunning, s.path, out)
		}
	}
	return nil
}

// count is the kernel's count of transfers with what is plugged in.
func (s *socket) count() (uint64, error) {
	text, err := s.urbnum()
	if err != nil {
		return 0, err
	}
	return strconv.ParseUint(text, 10, 64)
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
func askStatus(s *socket, n int) error {
	node, err := s.node()
	if err != nil {
		return err
	}
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
			return fmt.Errorf("get status of %s: %w", s.path, errno)
		}
	}
	runtime.KeepAlive(status)
	return nil
}

// node is the usbfs file of what is plugged in.
func (s *socket) node() (string, error) {
	var numbers [2]int
	for i, name := range []string{"busnum", "devnum"} {
		text, err := attribute("/sys/bus/usb/devices", s.path, name)
		if err != nil {
			return "", err
		}
		if numbers[i], err = strconv.Atoi(text); err != nil {
			return "", err
		}
	}
	return fmt.Sprintf("/dev/bus/usb/%03d/%03d", numbers[0], numbers[1]), nil
}
