package supply

import (
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.bug.st/serial"
)

func TestParseSerial(t *testing.T) {
	for in, want := range map[string]serial.Mode{
		"/dev/ttyUSB0": {BaudRate: 9600, DataBits: 8},
		"/dev/serial/by-id/usb-1209_Meter_0001-if00-port0": {BaudRate: 9600, DataBits: 8},
		"/dev/ttyACM1?baud=115200":                         {BaudRate: 115200, DataBits: 8},
		"/dev/ttyS0?bits=7E2&baud=300":                     {BaudRate: 300, DataBits: 7, Parity: serial.EvenParity, StopBits: serial.TwoStopBits},
		"/dev/ttyS0?bits=8O1":                              {BaudRate: 9600, DataBits: 8, Parity: serial.OddParity},
		"/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0": {BaudRate: 9600, DataBits: 8},
		"COM3?baud=4800":                                   {BaudRate: 4800, DataBits: 8},
		"/dev/cu.usbserial-110?baud=4000000&bits=" + "8N1": {BaudRate: 4_000_000, DataBits: 8},
	} {
		device, _, got, err := parseSerial(in)
		if err != nil || got != want || !strings.HasPrefix(in, device) {
			t.Errorf("parseSerial(%q) = %q, %+v, %v; want %+v", in, device, got, err, want)
		}
	}
	for in, want := range map[string]string{
		"":                           "the device is missing",
		"?baud=9600":                 "the device is missing",
		"ttyUSB0":                    "not the whole path of a device",
		"/dev/../etc/passwd":         "not the whole path of a device",
		"/etc/passwd":                "not the whole path of a device",
		"/dev/tty USB0":              "not the whole path of a device",
		"/dev/ttyUSB0?baud=fast":     "baud=fast is not a number from 50 to 4000000",
		"/dev/ttyUSB0?baud=0":        "baud=0 is not a number",
		"/dev/ttyUSB0?baud=1&baud=2": "baud is given twice",
		"/dev/ttyUSB0?bits=9N1":      "bits=9N1 cannot be read",
		"/dev/ttyUSB0?bits=8X1":      "bits=8X1 cannot be read",
		"/dev/ttyUSB0?bits=8N":       "bits=8N cannot be read",
		"/dev/ttyUSB0?speed=9600":    `unknown setting "speed": there are baud and bits`,
		"/dev/ttyUSB0?baud=%zz":      "cannot be read: write baud=9600&bits=8N1",
	} {
		if _, _, _, err := parseSerial(in); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("parseSerial(%q) = %v, want an error about %q", in, err, want)
		}
	}
}

// Whatever way the settings are written, it is the same connection.
func TestSerialAddressIsCanonical(t *testing.T) {
	const want = "/dev/ttyUSB0?baud=9600&bits=8N1"
	for _, in := range []string{"serial:///dev/ttyUSB0", "serial:///dev/ttyUSB0?baud=9600", "serial:///dev/ttyUSB0?bits=8N1&baud=9600"} {
		if got, _, err := open(in); err != nil || got != want {
			t.Errorf("open(%q) = %q, %v; want %q", in, got, err, want)
		}
	}
}

func TestOpenSerialThatIsNotThere(t *testing.T) {
	_, dial, err := open("serial:///dev/benchvigil-none")
	if err != nil {
		t.Fatal(err)
	}
	if c, err := dial(t.Context()); !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), "/dev/benchvigil-none") {
		t.Errorf("dial = %v, %v; want that the device does not exist", c, err)
	}
}

// pipePort is a serial port over a pipe: like the library's, its Read returns
// nothing and no error at the time-out.
type pipePort struct {
	net.Conn
	timeout time.Duration
	reads   int
}

func (p *pipePort) SetReadTimeout(t time.Duration) error { p.timeout = t; return nil }
func (p *pipePort) ResetInputBuffer() error              { return nil }
func (p *pipePort) ResetOutputBuffer() error             { return nil }

func (p *pipePort) Read(b []byte) (int, error) {
	p.reads++
	var until time.Time
	if p.timeout != serial.NoTimeout {
		until = time.Now().Add(max(p.timeout/2, min(p.timeout, 10*time.Millisecond))) // early, as a port may be
	}
	if err := p.SetReadDeadline(until); err != nil {
		return 0, err
	}
	n, err := p.Conn.Read(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return n, nil
	}
	return n, err
}

func newSerialPipe(t *testing.T) (*serialConn, *pipePort, net.Conn) {
	near, far := net.Pipe()
	p := &pipePort{Conn: near}
	t.Cleanup(func() { _ = near.Close(); _ = far.Close() })
	return &serialConn{port: p}, p, far
}

func TestSerialReadKeepsItsDeadline(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, port, far := newSerialPipe(t)
		start := time.Now()
		if err := c.SetDeadline(start.Add(time.Second)); err != nil {
			t.Fatal(err)
		}
		if n, err := c.Read(make([]byte, 8)); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("Read of nothing = %d, %v; want the deadline", n, err)
		}
		if d := time.Since(start); d != time.Second || port.reads < 2 {
			t.Errorf("gave up after %v and %d reads, want 1s and more than one", d, port.reads)
		}
		if n, err := c.Write([]byte("x")); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("Write after the deadline = %d, %v", n, err)
		}
		_ = c.SetDeadline(time.Time{})
		go func() {
			time.Sleep(time.Hour)
			_, _ = io.WriteString(far, "3.8")
		}()
		b := make([]byte, 8)
		if n, err := c.Read(b); err != nil || string(b[:n]) != "3.8" {
			t.Errorf("Read without a deadline = %q, %v", b[:n], err)
		}
	})
}

// A late answer must not be taken for the next one's: it comes before quiet.
func TestSerialSettles(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, _, far := newSerialPipe(t)
		go func() {
			for range 3 {
				time.Sleep(400 * time.Millisecond)
				_, _ = io.WriteString(far, "9.999;9.999\n")
			}
		}()
		start := time.Now()
		if err := c.Settle(500 * time.Millisecond); err != nil {
			t.Fatal(err)
		}
		if d := time.Since(start); d != 1700*time.Millisecond {
			t.Errorf("quiet after %v, want 1.7s: half a second after the last answer", d)
		}
	})
}

func TestSerialThatIsNeverQuiet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, _, far := newSerialPipe(t)
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			for {
				if _, err := io.WriteString(far, "3.801 V\n"); err != nil {
					return
				}
				time.Sleep(100 * time.Millisecond)
			}
		}()
		if err := c.Settle(500 * time.Millisecond); err == nil || !strings.Contains(err.Error(), "kind: lines") {
			t.Errorf("Settle = %v, want a hint that it streams", err)
		}
		_ = far.Close()
		<-ended
	})
}
