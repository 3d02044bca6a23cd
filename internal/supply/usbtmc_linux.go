package supply

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// The driver's calls: linux/usb/tmc.h, _IOW(91, 10, __u32) and _IO(91, 2).
const (
	usbtmcSetTimeout = 0x40045b0a
	usbtmcClear      = 0x5b02
)

func dialUSBTMC(device string) (Conn, error) {
	fd, err := unix.Open(device, unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, &os.PathError{Op: "open", Path: device, Err: err}
	}
	return &usbtmcConn{dev: usbtmcFile(fd)}, nil
}

// usbtmcFile is an open device. It is no os.File: the runtime would make it
// non-blocking, and the driver has no use for that.
type usbtmcFile int

func (f usbtmcFile) Read(p []byte) (int, error) {
	return again(func() (int, error) { return unix.Read(int(f), p) })
}

func (f usbtmcFile) Write(p []byte) (int, error) {
	return again(func() (int, error) { return unix.Write(int(f), p) })
}

// again repeats a call that a signal ended, and gives a time-out its name.
func again(call func() (int, error)) (int, error) {
	for {
		n, err := call()
		switch {
		case errors.Is(err, unix.EINTR):
		case errors.Is(err, unix.ETIMEDOUT):
			return max(n, 0), fmt.Errorf("%w (%w)", os.ErrDeadlineExceeded, err)
		default:
			return max(n, 0), err
		}
	}
}

func (f usbtmcFile) SetTimeout(ms uint32) error {
	return unix.IoctlSetPointerInt(int(f), usbtmcSetTimeout, int(ms))
}

func (f usbtmcFile) Clear() error { return unix.IoctlSetInt(int(f), usbtmcClear, 0) }

func (f usbtmcFile) Close() error { return unix.Close(int(f)) }
