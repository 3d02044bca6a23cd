package supply

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"time"
)

const (
	// usbtmcClass lists the instruments that the kernel's driver has taken.
	usbtmcClass = "/sys/class/usbmisc"
	// usbtmcLeast is the shortest time-out that the driver takes
	// (USBTMC_MIN_TIMEOUT in drivers/usb/class/usbtmc.c).
	usbtmcLeast = 100 * time.Millisecond
)

var (
	isUSBTMC    = regexp.MustCompile(`^/dev/[A-Za-z0-9._/-]+$`)
	isSerialNum = regexp.MustCompile(`^[A-Za-z0-9._:-]{1,126}$`)
)

// openUSBTMC reads "/dev/usbtmc0" or "serial/NUMBER", the instrument's own
// serial number, which stays the same wherever it is plugged in.
func openUSBTMC(where string) (address string, dial Dial, err error) {
	number, bySerial := strings.CutPrefix(where, "serial/")
	switch {
	case bySerial && !isSerialNum.MatchString(number):
		return "", nil, fmt.Errorf("%q is not a serial number", number)
	case !bySerial && (!isUSBTMC.MatchString(where) || filepath.Clean(where) != where):
		return "", nil, fmt.Errorf("%q is neither a device such as /dev/usbtmc0 nor serial/ and a serial number", where)
	}
	return where, func(context.Context) (Conn, error) {
		device := where
		if bySerial {
			var err error
			if device, err = usbtmcBySerial(usbtmcClass, number); err != nil {
				return nil, err
			}
		}
		return dialUSBTMC(device)
	}, nil
}

// usbtmcBySerial finds the device of the instrument with that serial number,
// which the kernel has read when it was plugged in.
func usbtmcBySerial(class, number string) (device string, err error) {
	nodes, err := filepath.Glob(filepath.Join(class, "usbtmc*"))
	if err != nil {
		return "", err
	}
	for _, node := range nodes {
		// The node's device is the interface; above it is the instrument.
		its, err := filepath.EvalSymlinks(filepath.Join(node, "device"))
		if err != nil {
			continue
		}
		text, err := os.ReadFile(filepath.Join(filepath.Dir(its), "serial")) //nolint:gosec // below sysfs
		if err == nil && strings.TrimSpace(string(text)) == number {
			return "/dev/" + filepath.Base(node), nil
		}
	}
	return "", fmt.Errorf("no USBTMC instrument has the serial number %s: %w", number, fs.ErrNotExist)
}

// usbtmcDevice is what the kernel's driver offers of one instrument. Read gives
// one message, or as much of it as there is room for, and ETIMEDOUT, wrapped as
// os.ErrDeadlineExceeded, when none comes in time.
type usbtmcDevice interface {
	io.ReadWriteCloser
	SetTimeout(ms uint32) error
	Clear() error // drops every question and answer under way
}

// usbtmcConn gives a USBTMC device the deadlines of a Conn, and its messages
// the ends of lines: an instrument may leave out the LF that the end of its
// message makes superfluous.
type usbtmcConn struct {
	dev      usbtmcDevice
	deadline time.Time

	mu     sync.Mutex // held while the device is used: it is not closed under a transfer
	closed bool
}

// SetDeadline is for the reads and writes after it, not for one under way. The
// driver waits 100 ms at least.
func (c *usbtmcConn) SetDeadline(t time.Time) error {
	c.deadline = t
	return nil
}

func (c *usbtmcConn) Read(p []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(p) < 2 {
		return 0, io.ErrShortBuffer
	}
	if err := c.readyLocked(); err != nil {
		return 0, err
	}
	n, err := c.dev.Read(p[:len(p)-1])
	if err != nil {
		return 0, c.failedLocked(err)
	}
	if n < len(p)-1 && (n == 0 || p[n-1] != '\n') {
		p[n] = '\n'
		n++
	}
	return n, nil
}

func (c *usbtmcConn) Write(p []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.readyLocked(); err != nil {
		return 0, err
	}
	n, err := c.dev.Write(p)
	if err != nil {
		return n, c.failedLocked(err)
	}
	return n, nil
}

// readyLocked tells the driver how long it may take.
func (c *usbtmcConn) readyLocked() error {
	if c.closed {
		return fs.ErrClosed
	}
	left := time.Minute
	if !c.deadline.IsZero() {
		if left = time.Until(c.deadline); left <= 0 {
			return os.ErrDeadlineExceeded
		}
	}
	return c.dev.SetTimeout(uint32(max(left, usbtmcLeast).Milliseconds())) //nolint:gosec // positive, and minutes at most
}

// failedLocked clears the device after a time-out, so that what was asked is
// not answered to the next one who asks.
func (c *usbtmcConn) failedLocked(err error) error {
	if !errors.Is(err, os.ErrDeadlineExceeded) {
		return err
	}
	if e := c.dev.Clear(); e != nil {
		return errors.Join(err, fmt.Errorf("clear the instrument: %w", e))
	}
	return err
}

// Settle clears the device: whoever had it before may have left an answer. That
// some instruments do not know how to is no reason not to ask them.
func (c *usbtmcConn) Settle(time.Duration) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed {
		return fs.ErrClosed
	}
	_ = c.dev.Clear()
	return nil
}

// Close waits for a transfer under way, which its deadline ends: the driver
// offers no way to end it sooner.
func (c *usbtmcConn) Close() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed {
		return nil
	}
	c.closed = true
	return c.dev.Close()
}
