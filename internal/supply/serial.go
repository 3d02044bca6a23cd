package supply

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net/url"
	"os"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.bug.st/serial"
)

// Defaults of a serial line.
const (
	defaultBaud = 9600
	defaultBits = "8N1"
	maxBaud     = 4_000_000
)

// openSerial reads "/dev/NAME?baud=9600&bits=8N1". Ports are never listed: that
// would open every one of them and set its speed.
func openSerial(where string) (address string, dial Dial, err error) {
	device, bits, mode, err := parseSerial(where)
	if err != nil {
		return "", nil, err
	}
	address = fmt.Sprintf("%s?baud=%d&bits=%s", device, mode.BaudRate, bits)
	return address, func(context.Context) (Conn, error) { return dialSerial(device, mode) }, nil
}

// parseSerial reads a device and its settings.
func parseSerial(where string) (device, bits string, mode serial.Mode, err error) {
	device, query, _ := strings.Cut(where, "?")
	if err := checkDevice(device); err != nil {
		return "", "", mode, err
	}
	settings, err := url.ParseQuery(query)
	if err != nil {
		return "", "", mode, fmt.Errorf("%q cannot be read: write baud=9600&bits=8N1", query)
	}
	mode, bits = serial.Mode{BaudRate: defaultBaud}, defaultBits
	for _, key := range slices.Sorted(maps.Keys(settings)) {
		values := settings[key]
		switch {
		case len(values) > 1:
			return "", "", mode, fmt.Errorf("%s is given twice", key)
		case key == "baud":
			mode.BaudRate, err = parseBaud(values[0])
		case key == "bits":
			bits = values[0]
		default:
			err = fmt.Errorf("unknown setting %q: there are baud and bits", key)
		}
		if err != nil {
			return "", "", mode, err
		}
	}
	return device, bits, mode, parseBits(bits, &mode)
}

// checkDevice wants the whole path of a device and nothing else.
func checkDevice(device string) error {
	switch {
	case device == "":
		return errors.New("the device is missing")
	case !isDevice.MatchString(device) || path.Clean(device) != device:
		return fmt.Errorf("%q is not the whole path of a device, such as /dev/serial/by-id/usb-…", device)
	}
	return nil
}

// isDevice accepts the names of devices, "COM3" of Windows among them.
var isDevice = regexp.MustCompile(`^(/dev/[A-Za-z0-9._:,@%+/-]+|COM[0-9]{1,3})$`)

func parseBaud(text string) (int, error) {
	n, err := strconv.Atoi(text)
	if err != nil || n < 50 || n > maxBaud {
		return 0, fmt.Errorf("baud=%s is not a number from 50 to %d", text, maxBaud)
	}
	return n, nil
}

// parseBits reads data bits, parity and stop bits, such as 8N1 or 7E2.
func parseBits(text string, m *serial.Mode) error {
	parities := map[byte]serial.Parity{'N': serial.NoParity, 'E': serial.EvenParity, 'O': serial.OddParity}
	stops := map[byte]serial.StopBits{'1': serial.OneStopBit, '2': serial.TwoStopBits}
	if len(text) == 3 {
		parity, ok1 := parities[text[1]]
		stop, ok2 := stops[text[2]]
		if ok1 && ok2 && slices.Contains([]byte("78"), text[0]) {
			m.DataBits, m.Parity, m.StopBits = int(text[0]-'0'), parity, stop
			return nil
		}
	}
	return fmt.Errorf("bits=%s cannot be read: write 7 or 8, then N, E or O, then 1 or 2, such as %s", text, defaultBits)
}

func dialSerial(device string, mode serial.Mode) (Conn, error) {
	port, err := serial.Open(device, &mode)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", device, serialError(err))
	}
	if err := port.ResetInputBuffer(); err != nil { // what came before is old
		return nil, errors.Join(fmt.Errorf("open %s: %w", device, serialError(err)), port.Close())
	}
	return &serialConn{port: port}, nil
}

// serialError says what the library's errors mean here.
func serialError(err error) error {
	var e *serial.PortError
	switch {
	case !errors.As(err, &e):
		return err
	case e.Code() == serial.PermissionDenied:
		return fmt.Errorf("%w: put the user into the device's group", fs.ErrPermission)
	case e.Code() == serial.PortNotFound:
		return fs.ErrNotExist
	case e.Code() == serial.PortBusy:
		return errors.New("another program has the serial port open")
	case e.Code() == serial.PortClosed:
		return errors.New("the serial port is gone")
	}
	return err
}

// serialPort is what is used of a serial.Port. Its Read returns nothing and no
// error when the time-out has passed.
type serialPort interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	SetReadTimeout(t time.Duration) error
	ResetInputBuffer() error
	ResetOutputBuffer() error
	Close() error
}

// serialConn gives a serial port the deadlines of a Conn.
type serialConn struct {
	port     serialPort
	deadline time.Time
}

// SetDeadline is for the reads and writes after it, not for one under way.
func (c *serialConn) SetDeadline(t time.Time) error {
	c.deadline = t
	return nil
}

// Read waits for at least one byte, until the deadline.
func (c *serialConn) Read(p []byte) (int, error) {
	for {
		left := serial.NoTimeout
		if !c.deadline.IsZero() {
			if left = time.Until(c.deadline); left <= 0 {
				return 0, os.ErrDeadlineExceeded
			}
		}
		if err := c.port.SetReadTimeout(left); err != nil {
			return 0, err
		}
		n, err := c.port.Read(p)
		if n > 0 || err != nil {
			return n, serialError(err)
		}
	}
}

// Write hands over to the kernel's buffer, which holds more than a question.
func (c *serialConn) Write(p []byte) (int, error) {
	if !c.deadline.IsZero() && !time.Now().Before(c.deadline) {
		return 0, os.ErrDeadlineExceeded
	}
	n, err := c.port.Write(p)
	return n, serialError(err)
}

// Close drops what was not sent yet: the kernel would wait half a minute for a
// line that does not take it.
func (c *serialConn) Close() error {
	_ = c.port.ResetOutputBuffer()
	return c.port.Close()
}

// settleTurns bounds how often Settle waits for quiet.
const settleTurns = 64

// Settle drops what comes until the line has been quiet for that long.
func (c *serialConn) Settle(quiet time.Duration) error {
	if err := c.port.ResetInputBuffer(); err != nil {
		return serialError(err)
	}
	var drop [maxLine]byte
	for range settleTurns {
		c.deadline = time.Now().Add(quiet)
		switch _, err := c.Read(drop[:]); {
		case errors.Is(err, os.ErrDeadlineExceeded):
			return nil
		case err != nil:
			return err
		}
	}
	return errors.New("the line is never quiet: is this a meter that speaks without being asked (kind: lines)?")
}
