package usb_test

import (
	"io/fs"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"benchvigil/internal/usb/usbtest"
)

func TestSysfsLostAndBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t, running)
		r.wait(time.Second)
		r.tree.Remove(usbtest.Devices)
		r.say("change", "1-1")
		const why = `"the system shows no USB (sysfs has no bus/usb/devices): is the USB driver loaded, and is /sys there?"`
		r.want("1.000 s1 lost "+why, "1.000 s2 lost "+why)
		r.wait(time.Minute)
		r.want()
		if n := r.logged("USB cannot be seen"); n != 1 {
			t.Errorf("said %d times that USB cannot be seen, want once", n)
		}
		r.tree.Plug("1-1", r.device(running, ""))
		r.wait(100 * time.Millisecond)
		r.want(`61.100 s1 back ""`, "61.100 s1 remove 1-1", "61.100 s1 add 1-1 1209:0004",
			`61.100 s2 back ""`, "61.100 s2 remove 1-2")
		r.plug("1-2", r.device(running, ""))
		r.want("61.100 s2 add 1-2 1209:0004")
	})
}

// A system without USB says so at once, and goes on looking.
func TestNoUSBAtStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.opts.Ports = map[string]string{"1-1": "s1"}
		r.tree.Remove("bus")
		r.run()
		r.want(`0.000 s1 lost "the system shows no USB (sysfs has no bus/usb/devices): is the USB driver loaded, and is /sys there?"`)
		r.wait(time.Second)
		r.tree.MakeDir(usbtest.Devices)
		r.wait(100 * time.Millisecond)
		r.want(`1.100 s1 back ""`, "1.100 s1 remove 1-1")
	})
}

// What is read half-way is not believed: neither a device that is half there
// nor an absence.
func TestHalfADevice(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t, nothing, running)
		r.wait(10 * time.Millisecond)
		r.tree.Set(usbtest.Attribute("1-1", "devnum"), "7\n")
		r.tree.Set(usbtest.Attribute("1-1", "idVendor"), "1209\n")
		r.say("add", "1-1")
		r.tree.SetFunc(usbtest.Attribute("1-2", "idProduct"), func() ([]byte, error) { return nil, syscall.ENODEV })
		r.say("remove", "1-2")
		r.want()
		r.wait(40 * time.Millisecond)
		r.tree.Set(usbtest.Attribute("1-1", "idProduct"), "0003\n")
		r.tree.Unplug("1-2")
		r.wait(50 * time.Millisecond)
		r.want("0.010 s1 add 1-1 1209:0003", "0.010 s2 remove 1-2")
	})
}

// A device that is replaced while it is looked at is not mixed with the next.
func TestReplacedWhileLookedAt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		watch := &during{FS: r.tree}
		r.opts.Sysfs = watch
		r.run()
		r.take()
		r.wait(10 * time.Millisecond)
		next := r.device(id(0x1d6b, 0x0104), "")
		watch.set(usbtest.Attribute("1-1", "idProduct"), func() { r.tree.Plug("1-1", next) })
		r.plug("1-1", r.device(running, ""))
		r.wait(100 * time.Millisecond)
		r.want("0.010 s1 add 1-1 1d6b:0104")
	})
}

// The tree comes back while it is looked at: an empty port seen just before
// means nothing.
func TestBackWhileLookedAt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.opts.Ports = map[string]string{"1-1": "s1"}
		watch := &during{FS: r.tree}
		r.opts.Sysfs = watch
		d := r.device(running, "")
		r.tree.Plug("1-1", d)
		r.run()
		r.wait(time.Second)
		r.tree.Remove(usbtest.Devices)
		r.wait(3 * time.Second)
		r.take()
		watch.set(usbtest.Devices, func() { r.tree.Plug("1-1", d) })
		r.wait(time.Second)
		told := r.take()
		if len(told) != 2 || !strings.Contains(told[0], "s1 back") || !strings.Contains(told[1], "s1 add 1-1") {
			t.Errorf("told %q, want back and add", told)
		}
	})
}

// Half a device that stays one is no device.
func TestHalfADeviceForGood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := begun(t, running)
		r.wait(10 * time.Millisecond)
		r.tree.Remove(usbtest.Attribute("1-1", "idProduct"))
		r.say("change", "1-1")
		r.wait(400 * time.Millisecond)
		r.want()
		r.wait(200 * time.Millisecond)
		r.want("0.010 s1 remove 1-1")
	})
}

// A port that cannot be read is out of sight; the others are not.
func TestUnreadablePort(t *testing.T) {
	for name, content := range map[string]usbtest.Content{
		"forbidden": func() ([]byte, error) { return nil, fs.ErrPermission },
		"garbage":   func() ([]byte, error) { return []byte("0x12345\n"), nil },
		"empty":     func() ([]byte, error) { return nil, nil },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t)
				d := r.device(running, "")
				r.tree.Plug("1-1", d)
				r.tree.Plug("1-2", r.device(running, ""))
				r.run()
				r.take()
				r.wait(10 * time.Millisecond)
				r.tree.SetFunc(usbtest.Attribute("1-1", "idVendor"), content)
				r.say("change", "1-1")
				r.wait(time.Second)
				told := r.take()
				if len(told) != 1 || !strings.Contains(told[0], "s1 lost") || !strings.Contains(told[0], "1-1") {
					t.Errorf("told %q, want one loss of s1 that names the port", told)
				}
				r.tree.Plug("1-1", d)
				r.wait(2 * time.Second)
				r.want(`3.000 s1 back ""`, "3.000 s1 add 1-1 1209:0004")
			})
		})
	}
}
