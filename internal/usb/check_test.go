package usb_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"benchvigil/internal/usb"
)

const saidScanFailed = "libusb could not list the devices"

// libusb is a scan whose answer a test sets.
type libusb struct {
	mu      sync.Mutex
	devices []usb.Device
	err     error
	took    time.Duration
	scans   []time.Time
}

func (l *libusb) scan(ctx context.Context) ([]usb.Device, error) {
	l.mu.Lock()
	l.scans = append(l.scans, time.Now())
	devices, err, took := l.devices, l.err, l.took
	l.mu.Unlock()
	select {
	case <-time.After(took):
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	return devices, err
}

func (l *libusb) set(err error, devices ...usb.Device) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.devices, l.err = devices, err
}

func (l *libusb) count() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.scans)
}

// checked is a rig with a device on 1-1 that libusb lists too.
func checked(t *testing.T) (*rig, *libusb, usb.Device) {
	t.Helper()
	r, l := newRig(t), &libusb{took: 100 * time.Millisecond}
	d := r.device(running, "")
	r.tree.Plug("1-1", d)
	listed := usb.Device{Bus: 1, Address: d.Devnum, Port: "1-1", Vendor: 0x1209, Product: 0x0004}
	l.set(nil, listed, usb.Device{Bus: 1, Address: 1, Port: "usb1", Vendor: 0x1d6b, Product: 2})
	r.opts.Scan = l.scan
	return r, l, listed
}

func TestScanAgrees(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, l, _ := checked(t)
		r.run()
		r.wait(150 * time.Second)
		if n := l.count(); n != 3 {
			t.Errorf("%d scans in 150 s, want 3: at once and each minute", n)
		}
		if c := r.w.Counts(); c.Disagree != 0 {
			t.Errorf("counts %+v, want no disagreement", c)
		}
	})
}

func TestScanDisagrees(t *testing.T) {
	for name, wrong := range map[string]func(usb.Device) []usb.Device{
		"missing":          func(usb.Device) []usb.Device { return nil },
		"other identity":   func(d usb.Device) []usb.Device { d.Product = 3; return []usb.Device{d} },
		"other address":    func(d usb.Device) []usb.Device { d.Address++; return []usb.Device{d} },
		"not in sysfs":     func(d usb.Device) []usb.Device { e := d; e.Port = "1-2"; return []usb.Device{d, e} },
		"on no known port": func(d usb.Device) []usb.Device { d.Port = "1-3"; return []usb.Device{d} },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r, l, listed := checked(t)
				l.set(nil, wrong(listed)...)
				r.run()
				r.want("0.000 s1 add 1-1 1209:0004", "0.000 s2 remove 1-2")
				r.wait(time.Second)
				if c := r.w.Counts(); c.Disagree != 0 {
					t.Errorf("counts %+v after one scan, want no disagreement yet", c)
				}
				r.wait(5 * time.Second)
				if c := r.w.Counts(); c.Disagree != 1 {
					t.Errorf("counts %+v after two scans, want one disagreement", c)
				}
				r.wait(3 * time.Minute)
				if c := r.w.Counts(); c.Disagree != 4 {
					t.Errorf("counts %+v, want one disagreement a minute more", c)
				}
				warned := r.logs.Filter(isWarning).Len()
				if warned != 1 {
					t.Errorf("%d warnings, want one as long as the text is the same", warned)
				}
				r.want() // never acted on
			})
		})
	}
}

// A device that changes while libusb looks is no disagreement.
func TestScanDisagreesOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, l, listed := checked(t)
		l.set(nil)
		r.run()
		r.wait(time.Second)
		l.set(nil, listed)
		r.wait(5 * time.Minute)
		if c := r.w.Counts(); c.Disagree != 0 {
			t.Errorf("counts %+v, want no disagreement", c)
		}
	})
}

// A failed scan says nothing of devices, an incomplete one nothing of those
// that it leaves out; it is said once.
func TestScanFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, l, listed := checked(t)
		broken := errors.New("libusb: input/output error")
		l.set(broken)
		r.run()
		r.wait(5 * time.Minute)
		if n := r.logged(saidScanFailed); n != 1 {
			t.Errorf("said %d times that the scan failed, want once", n)
		}
		if c := r.w.Counts(); c.Disagree != 0 {
			t.Errorf("counts %+v, want no disagreement", c)
		}
		listed.Product = 3
		l.set(broken, listed)
		r.wait(5 * time.Minute)
		if c := r.w.Counts(); c.Disagree == 0 {
			t.Error("what an incomplete list does contain was not compared")
		}
	})
}

// After an overrun libusb is asked soon, but not for each of many.
func TestScanAfterOverrun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, l, _ := checked(t)
		r.run()
		r.wait(20 * time.Second)
		for range 100 {
			r.script.Fail(usb.ErrOverrun)
			r.wait(100 * time.Millisecond)
		}
		if n := l.count(); n < 2 || n > 4 {
			t.Errorf("%d scans after 10 s of overruns, want the first one and 1 to 3 more", n)
		}
	})
}

// A scan that hangs delays nothing and is not joined by a second one.
func TestScanHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, l, _ := checked(t)
		l.took = time.Hour
		r.run()
		r.take()
		r.wait(time.Second)
		r.unplug("1-1")
		r.want("1.000 s1 remove 1-1")
		r.script.Fail(usb.ErrOverrun)
		r.wait(30 * time.Minute)
		if n := l.count(); n != 1 {
			t.Errorf("%d scans at once", n)
		}
	})
}

func isWarning(e observer.LoggedEntry) bool { return e.Level == zap.WarnLevel }
