package checkup

import (
	"context"
	"errors"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
	"benchvigil/internal/usb"
	"benchvigil/internal/usb/usbtest"
)

func family(t *testing.T) *profile.Profile {
	t.Helper()
	p, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// desk has a running board on 1-2, a stranger on 1-4, and a hub on 1-3 with one
// board that may be suspended.
func desk() *usbtest.Tree {
	tree := usbtest.NewTree()
	plug := func(port string, vendor, product uint16, devnum int) {
		tree.Plug(port, usbtest.Device{ID: bench.USBID{Vendor: vendor, Product: product}, Devnum: devnum})
	}
	plug("usb1", 0x1d6b, 2, 1)
	plug("1-2", 0x1209, 4, 5)
	plug("1-3", 0x1209, 0xff, 6)
	plug("1-3.1", 0x1209, 3, 7)
	plug("1-4", 0x1209, 0xabc, 8)
	tree.Set(usbtest.Attribute("usb1", "maxchild"), "4\n")
	tree.Set(usbtest.Attribute("1-3", "bDeviceClass"), "09\n")
	tree.Set("module/usbcore/parameters/autosuspend", "2\n")
	tree.Set(usbtest.Attribute("1-2", "power/control"), "on\n")
	tree.Set(usbtest.Attribute("1-3.1", "power/control"), "auto\n")
	return tree
}

type noReceiver struct{ usb.Receiver }

func (noReceiver) Close() error { return nil }

func system(tree *usbtest.Tree) System {
	return System{
		OS: "linux", Sysfs: tree,
		Listen: func() (usb.Receiver, error) { return noReceiver{}, nil },
		Scan: func(context.Context) ([]usb.Device, error) {
			return []usb.Device{
				{Bus: 1, Address: 1, Port: "usb1", Vendor: 0x1d6b, Product: 2, Class: 9},
				{Bus: 1, Address: 5, Port: "1-2", Vendor: 0x1209, Product: 4},
				{Bus: 1, Address: 7, Port: "1-3.1", Vendor: 0x1209, Product: 3},
			}, nil
		},
	}
}

func lines(results []Result) (out []string) {
	for _, r := range results {
		out = append(out, string(r.Verdict)+" | "+r.Check+" | "+r.Found)
	}
	return out
}

func compare(t *testing.T, got []Result, want ...string) {
	t.Helper()
	if d := cmp.Diff(want, lines(got)); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestBus(t *testing.T) {
	p := family(t)
	b := Bench{CrossRef: true, Stations: []Station{{ID: "a", Port: "1-2", Profile: p}, {ID: "b", Port: "1-3.1", Profile: p}, {ID: "c"}}}
	compare(t, system(desk()).bus(t.Context(), b),
		"ok | USB source | sysfs is read: 4 devices on ports",
		"ok | USB changes | kernel uevents arrive by netlink",
		"ok | port 1-2 (a) | 1209:0004, running or asleep in profile invented-handset",
		"ok | autosuspend 1-2 (a) | the kernel leaves the device on",
		"ok | port 1-3.1 (b) | 1209:0003, restoring in profile invented-handset",
		"attention | autosuspend 1-3.1 (b) | the kernel may suspend the device after 2 s without traffic",
		"ok | libusb | lists 2 devices and agrees with sysfs on the configured ports",
	)
}

func TestPorts(t *testing.T) {
	p := family(t)
	b := Bench{Stations: []Station{
		{ID: "empty", Port: "1-1", Profile: p},
		{ID: "hub", Port: "1-3", Profile: p},
		{ID: "stranger", Port: "1-4", Profile: p},
		{ID: "far", Port: "1-9", Profile: p},
		{ID: "bus", Port: "3-1", Profile: p},
		{ID: "x", Port: "1-3.1", Profile: p},
		{ID: "y", Port: "1-3.2", Profile: p},
	}}
	seen, err := usb.Survey(desk())
	if err != nil {
		t.Fatal(err)
	}
	got := system(desk()).ports(b, seen, nil)
	compare(t, got,
		"ok | port 1-1 (empty) | nothing stands there now",
		"failed | port 1-3 (hub) | a hub stands there",
		"unknown | autosuspend 1-3 (hub) | not found here",
		"attention | port 1-4 (stranger) | 1209:0abc, which profile invented-handset does not know",
		"unknown | autosuspend 1-4 (stranger) | not found here",
		"failed | port 1-9 (far) | there is no port 1-9: the hub usb1 has ports 1 to 4",
		"failed | port 3-1 (bus) | there is no port 3-1: this computer has no USB bus 3",
		"ok | port 1-3.1 (x) | 1209:0003, restoring in profile invented-handset",
		"attention | autosuspend 1-3.1 (x) | the kernel may suspend the device after 2 s without traffic",
		"ok | port 1-3.2 (y) | nothing stands there now",
		"attention | hub 1-3 | x, y share one hub",
	)
	if cause, ok := Worst(got); cause != Config || ok {
		t.Errorf("worst is %v, %v, want the configuration", cause, ok)
	}
}

func TestBusTroubles(t *testing.T) {
	p := family(t)
	b := Bench{CrossRef: true, Stations: []Station{{ID: "a", Port: "1-2", Profile: p}}}
	t.Run("no sysfs on Linux", func(t *testing.T) {
		s := system(&usbtest.Tree{})
		got := s.bus(t.Context(), b)
		if len(got) != 2 || got[0].Verdict != Failed || got[0].Cause != Hardware || got[1].Verdict != Unknown {
			t.Errorf("got %v", lines(got))
		}
	})
	t.Run("no sysfs, and the configuration may name another", func(t *testing.T) {
		s := system(&usbtest.Tree{})
		compare(t, s.bus(t.Context(), Bench{Problem: errors.New("x")}),
			"unknown | USB source | the configuration, which says where to look, cannot be read")
	})
	t.Run("uevents refused", func(t *testing.T) {
		s := system(desk())
		s.Listen = func() (usb.Receiver, error) { return nil, os.ErrPermission }
		want(t, s.bus(t.Context(), b)[1], Attention, "sysfs is polled")
	})
	t.Run("libusb refused", func(t *testing.T) {
		s := system(desk())
		s.Scan = func(context.Context) ([]usb.Device, error) { return nil, os.ErrPermission }
		got := s.bus(t.Context(), b)
		want(t, got[len(got)-1], Attention, "permission denied")
	})
	t.Run("libusb disagrees", func(t *testing.T) {
		s := system(desk())
		s.Scan = func(context.Context) ([]usb.Device, error) { return nil, nil }
		got := s.bus(t.Context(), b)
		want(t, got[len(got)-1], Attention, "port 1-2: sysfs shows 1209:0004 as device 5, libusb lists nothing")
	})
	t.Run("libusb is left out", func(t *testing.T) {
		for _, r := range system(desk()).bus(t.Context(), Bench{}) {
			if r.Check == "libusb" {
				t.Error("libusb was asked")
			}
		}
	})
}

func TestBusByScans(t *testing.T) {
	s := system(&usbtest.Tree{})
	s.OS = "darwin"
	b := Bench{Stations: []Station{{ID: "a", Port: "1-2", Profile: family(t)}, {ID: "b", Port: "7-1", Profile: family(t)}}}
	got := s.bus(t.Context(), b)
	want(t, got[0], Attention, "no traffic count")
	want(t, got[1], OK, "1209:0004")
	want(t, got[2], Unknown, "not found here") // autosuspend is the kernel's
	want(t, got[3], OK, "nothing stands there now")
	s.Scan = func(context.Context) ([]usb.Device, error) { return nil, errors.New("libusb: no") }
	got = s.bus(t.Context(), b)
	want(t, got[0], Failed, "libusb: no")
	want(t, got[1], Unknown, "cannot be seen")
}
