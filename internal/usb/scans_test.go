package usb_test

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/usb"
	"benchvigil/internal/usb/usbtest"
)

// bus is what a fake scan lists.
type bus struct {
	mu      sync.Mutex
	devices map[string]usb.Device
	err     error
	takes   time.Duration
	scans   int
}

func (b *bus) scan(context.Context) ([]usb.Device, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.scans++
	time.Sleep(b.takes)
	var out []usb.Device
	for _, d := range b.devices {
		out = append(out, d)
	}
	return out, b.err
}

func (b *bus) set(change func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	change()
}

func stands(port string, is bench.USBID, address int) usb.Device {
	return usb.Device{Bus: 1, Address: address, Port: port, Vendor: usb.Hex16(is.Vendor), Product: usb.Hex16(is.Product), Speed: "high"}
}

// scanRig is a rig that has scans and nothing else.
func scanRig(t *testing.T) (*rig, *bus) {
	t.Helper()
	b := &bus{devices: map[string]usb.Device{}}
	r := newRig(t)
	r.opts.Listen, r.opts.Sysfs = nil, fstest.MapFS{}
	r.opts.Way, r.opts.Scan = usb.ByScans, b.scan
	return r, b
}

func TestScansAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, b := scanRig(t)
		b.devices["1-2"] = stands("1-2", running, 5)
		r.run()
		r.want("0.000 s1 remove 1-1", "0.000 s2 add 1-2 1209:0004")
		r.wait(500 * time.Millisecond)
		b.set(func() { b.devices["1-1"] = stands("1-1", recovery, 6) })
		r.wait(time.Second)
		r.want("1.000 s1 add 1-1 1209:0002")
		b.set(func() { b.devices["1-1"] = stands("1-1", restoring, 7) })
		r.wait(time.Second)
		r.want("2.000 s1 remove 1-1", "2.000 s1 add 1-1 1209:0003")
		b.set(func() { b.devices["1-1"] = stands("1-1", restoring, 8) }) // came back between two scans
		r.wait(time.Second)
		r.want("3.000 s1 remove 1-1", "3.000 s1 add 1-1 1209:0003")
		b.set(func() { delete(b.devices, "1-1") })
		r.wait(time.Second)
		r.want("4.000 s1 remove 1-1")
		r.wait(10 * time.Second)
		r.want()
		if n := r.w.Counts().Rescans; n != 15 {
			t.Errorf("scanned %d times in 14.5 s, want 15", n)
		}
	})
}

// What has no room in a mailbox is told after the next scan.
func TestScansTellAgainWhatWasRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, b := scanRig(t)
		r.run()
		r.take()
		r.refuseWhile(func(bench.Observation) bool { return true })
		b.set(func() { b.devices["1-1"] = stands("1-1", running, 5) })
		r.wait(2500 * time.Millisecond)
		r.want()
		r.refuseWhile(nil)
		r.wait(time.Second)
		r.want("1.000 s1 add 1-1 1209:0004") // with the time at which it was seen
	})
}

func TestScansThatFail(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, b := scanRig(t)
		b.devices["1-1"] = stands("1-1", running, 5)
		r.run()
		r.take()
		r.wait(500 * time.Millisecond)
		b.set(func() { b.devices, b.err = map[string]usb.Device{}, errors.New("libusb: no") })
		r.wait(2 * time.Second)
		r.want() // two failures are no loss
		r.wait(time.Second)
		r.want(`3.000 s1 lost "libusb: no"`, `3.000 s2 lost "libusb: no"`)
		r.wait(time.Minute)
		r.want()
		b.set(func() { b.devices["1-1"], b.err = stands("1-1", running, 5), nil })
		r.wait(time.Second)
		r.want(`64.000 s1 back ""`, "64.000 s1 add 1-1 1209:0004", `64.000 s2 back ""`, "64.000 s2 remove 1-2")
		if r.logged("USB cannot be seen") != 1 || r.logged("USB can be seen again") != 1 {
			t.Error("the loss and the end of it are not said once each")
		}
	})
}

// A device that libusb cannot describe must not blind the watch of the others,
// and an absence that only an incomplete list shows needs two of them.
func TestScansThatAreIncomplete(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, b := scanRig(t)
		b.devices["1-1"], b.devices["1-2"] = stands("1-1", running, 5), stands("1-2", running, 6)
		r.run()
		r.take()
		r.wait(500 * time.Millisecond)
		b.set(func() { delete(b.devices, "1-2"); b.err = errors.New("one device will not say") })
		r.wait(time.Second)
		r.want()
		r.wait(time.Second)
		r.want("2.000 s2 remove 1-2")
		r.wait(10 * time.Second)
		r.want()
	})
}

// A scan that takes long is followed by the next one, not by those it delayed.
func TestSlowScansAreNotCaughtUpWith(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, b := scanRig(t)
		b.takes = 4 * time.Second
		r.run()
		r.wait(21 * time.Second)
		r.stop()
		if b.scans != 6 {
			t.Errorf("%d scans of 4 s each were begun in 21 s, want 6", b.scans)
		}
	})
}

func TestScansNeedAScan(t *testing.T) {
	_, err := usb.New(usb.Options{Ports: map[string]string{"1-1": "s1"}, Way: usb.ByScans})
	if err == nil || !strings.Contains(err.Error(), "scans") {
		t.Errorf("got %v, want a refusal that names scans", err)
	}
}

func TestChoose(t *testing.T) {
	for _, tc := range []struct {
		name   string
		tree   *usbtest.Tree
		system string
		want   usb.Way
	}{
		{"Linux", usbtest.NewTree(), "linux", usb.BySysfs},
		{"Linux without sysfs stays lost", &usbtest.Tree{}, "linux", usb.BySysfs},
		{"macOS", &usbtest.Tree{}, "darwin", usb.ByScans},
		{"Windows", &usbtest.Tree{}, "windows", usb.ByScans},
		{"a tree played on macOS", usbtest.NewTree(), "darwin", usb.BySysfs},
	} {
		if got := usb.Choose(tc.tree, tc.system); got != tc.want {
			t.Errorf("%s: %v, want %v", tc.name, got, tc.want)
		}
	}
}
