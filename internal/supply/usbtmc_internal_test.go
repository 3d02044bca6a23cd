package supply

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// tmcLog notes what is done to an invented driver.
type tmcLog struct {
	calls []string
	reads []string // the messages to come; "" is a time-out
}

func (d *tmcLog) note(format string, args ...any) {
	d.calls = append(d.calls, fmt.Sprintf(format, args...))
}

func (d *tmcLog) Read(p []byte) (int, error) {
	d.note("read")
	m := d.reads[0]
	d.reads = d.reads[1:]
	if m == "" {
		return 0, fmt.Errorf("%w (connection timed out)", os.ErrDeadlineExceeded)
	}
	return copy(p, m), nil
}

func (d *tmcLog) Write(p []byte) (int, error) { d.note("write %q", p); return len(p), nil }

func (d *tmcLog) SetTimeout(ms uint32) error {
	if ms < 100 {
		return errors.New("invalid argument") // as the driver answers
	}
	d.note("time-out %v", time.Duration(ms)*time.Millisecond >= 9*time.Second)
	return nil
}
func (d *tmcLog) Clear() error { d.note("clear"); return nil }
func (d *tmcLog) Close() error { d.note("close"); return nil }

func TestUSBTMCConversation(t *testing.T) {
	dev := &tmcLog{reads: []string{"3.801;0.412", "3.802;0.413\n", ""}}
	d := newDialogue(&usbtmcConn{dev: dev}, 10*time.Second)
	for i, want := range []string{"3.801;0.412", "3.802;0.413"} {
		if got, err := d.query("V?"); err != nil || got != want {
			t.Errorf("answer %d is %q, %v; want %q", i, got, err, want)
		}
	}
	if _, err := d.query("V?"); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("no answer: %v, want the deadline", err)
	}
	ask := []string{"time-out true", `write "V?\n"`, "time-out true", "read"}
	want := append(append(append([]string{}, ask...), append(ask, ask...)...), "clear")
	if diff := cmp.Diff(want, dev.calls); diff != "" {
		t.Errorf("calls (-want +got):\n%s", diff)
	}
}

func TestUSBTMCShortDeadlines(t *testing.T) {
	dev := &tmcLog{reads: []string{"1"}}
	c := &usbtmcConn{dev: dev}
	_ = c.SetDeadline(time.Now().Add(20 * time.Millisecond))
	if n, err := c.Read(make([]byte, 8)); n != 2 || err != nil {
		t.Errorf("Read = %d, %v: the driver must be given its least time-out", n, err)
	}
	_ = c.SetDeadline(time.Now().Add(-time.Second))
	if _, err := c.Write([]byte("V?")); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("Write after the deadline = %v", err)
	}
	if _, err := c.Read(make([]byte, 1)); !errors.Is(err, io.ErrShortBuffer) {
		t.Errorf("Read into one byte = %v: there is no room for an end", err)
	}
}

// A message that fills the buffer is not at its end yet.
func TestUSBTMCLongMessage(t *testing.T) {
	dev := &tmcLog{reads: []string{strings.Repeat("9", 7), "99"}}
	c := &usbtmcConn{dev: dev}
	b := make([]byte, 8)
	if n, err := c.Read(b); err != nil || string(b[:n]) != "9999999" {
		t.Errorf("first part %q, %v", b[:n], err)
	}
	if n, err := c.Read(b); err != nil || string(b[:n]) != "99\n" {
		t.Errorf("second part %q, %v", b[:n], err)
	}
}

func TestUSBTMCCloses(t *testing.T) {
	dev := &tmcLog{}
	c := &usbtmcConn{dev: dev}
	_, _ = c.Close(), c.Close()
	if _, err := c.Read(make([]byte, 8)); !errors.Is(err, fs.ErrClosed) {
		t.Errorf("Read after Close = %v", err)
	}
	if err := c.Settle(0); !errors.Is(err, fs.ErrClosed) {
		t.Errorf("Settle after Close = %v", err)
	}
	if diff := cmp.Diff([]string{"close"}, dev.calls); diff != "" {
		t.Errorf("calls (-want +got):\n%s", diff)
	}
}

func TestUSBTMCAddresses(t *testing.T) {
	for _, in := range []string{"usbtmc:///dev/usbtmc0", "usbtmc:///dev/instruments/psu", "usbtmc://serial/PSU-0042.1"} {
		if _, _, err := open(in); err != nil {
			t.Errorf("open(%q) = %v", in, err)
		}
	}
	for _, in := range []string{"usbtmc://", "usbtmc://1", "usbtmc://serial/", "usbtmc://serial/a/b", "usbtmc:///etc/passwd", "usbtmc:///dev/../etc/x", "usbtmc:///dev/usb tmc"} {
		if got, _, err := open(in); err == nil {
			t.Errorf("open(%q) = %q, want an error", in, got)
		}
	}
}

// sysClass lays out what the kernel shows of instruments: in class/usbmisc a
// folder for each, whose device is the interface below the USB device.
func sysClass(t *testing.T, serials map[string]string) (class string) {
	t.Helper()
	root := t.TempDir()
	class = filepath.Join(root, "class", "usbmisc")
	for node, serial := range serials {
		device := filepath.Join(root, "devices", "usb1", node+"-parent")
		its := filepath.Join(device, "1-2:1.0", "usbmisc", node)
		for _, err := range []error{
			os.MkdirAll(its, 0o700), os.MkdirAll(class, 0o700),
			os.Symlink(filepath.Join(device, "1-2:1.0"), filepath.Join(its, "device")),
			os.Symlink(its, filepath.Join(class, node)),
			os.WriteFile(filepath.Join(device, "serial"), []byte(serial+"\n"), 0o600),
		} {
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	return class
}

func TestUSBTMCBySerial(t *testing.T) {
	class := sysClass(t, map[string]string{"usbtmc0": "PSU-1", "usbtmc1": "PSU-2", "hiddev0": "PSU-3"})
	if got, err := usbtmcBySerial(class, "PSU-2"); err != nil || got != "/dev/usbtmc1" {
		t.Errorf("PSU-2 is %q, %v; want /dev/usbtmc1", got, err)
	}
	for _, number := range []string{"PSU-3", "PSU", "psu-1"} {
		if got, err := usbtmcBySerial(class, number); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s is %q, %v; want that it is not there", number, got, err)
		}
	}
	if _, err := usbtmcBySerial(filepath.Join(t.TempDir(), "none"), "PSU-1"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("without the class: %v", err)
	}
}
