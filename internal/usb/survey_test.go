package usb_test

import (
	"errors"
	"io/fs"
	"testing"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/usb"
	"benchvigil/internal/usb/usbtest"
)

// desk is a root hub of four ports with a phone, and a hub of two with another.
func desk() *usbtest.Tree {
	t := usbtest.NewTree()
	t.Plug("usb1", usbtest.Device{ID: id(0x1d6b, 0x0002), Devnum: 1})
	t.Set(usbtest.Attribute("usb1", "maxchild"), "4\n")
	t.MakeDir(usbtest.Attribute("1-0:1.0", ""))
	t.Plug("1-2", usbtest.Device{ID: running, Devnum: 5})
	t.Plug("1-3", usbtest.Device{ID: id(0x1209, 0x00ff), Devnum: 6})
	t.Set(usbtest.Attribute("1-3", "bDeviceClass"), "09\n")
	t.Set(usbtest.Attribute("1-3", "maxchild"), "2\n")
	t.Plug("1-3.2", usbtest.Device{ID: recovery, Devnum: 7})
	return t
}

func TestSurvey(t *testing.T) {
	got, err := usb.Survey(desk())
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]usb.Seen{
		"1-2":   {ID: running, Number: 5},
		"1-3":   {ID: id(0x1209, 0x00ff), Number: 6, Hub: true},
		"1-3.2": {ID: recovery, Number: 7},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestSurveyLeavesOutWhatComesAndGoes(t *testing.T) {
	tree := desk()
	tree.Remove(usbtest.Attribute("1-2", "idProduct"))
	got, err := usb.Survey(tree)
	if _, there := got["1-2"]; err != nil || there || len(got) != 2 {
		t.Errorf("got %v, %v, want the other two", got, err)
	}
	tree.SetFunc(usbtest.Attribute("1-2", "devnum"), func() ([]byte, error) { return nil, fs.ErrPermission })
	if _, err := usb.Survey(tree); !errors.Is(err, fs.ErrPermission) {
		t.Errorf("error %v, want that permission is denied", err)
	}
	if _, err := usb.Survey(&usbtest.Tree{}); err == nil {
		t.Error("no error without a list of devices")
	}
}

func TestFindPort(t *testing.T) {
	tree := desk()
	tree.Set(usbtest.Attribute("1-3.2", "maxchild"), "0\n")
	for port, want := range map[string]string{
		"1-1":     "",
		"1-4":     "",
		"1-5":     "there is no port 1-5: the hub usb1 has ports 1 to 4",
		"2-1":     "there is no port 2-1: this computer has no USB bus 2",
		"1-3.1":   "",
		"1-3.3":   "there is no port 1-3.3: the hub 1-3 has ports 1 to 2",
		"1-4.1":   "there is no port 1-4.1 now: no hub stands on port 1-4",
		"1-2.1":   "", // what stands there does not tell
		"1-3.2.1": "there is no port 1-3.2.1: what stands on port 1-3.2 is no hub",
	} {
		got := ""
		if err := usb.FindPort(tree, port); err != nil {
			got = err.Error()
		}
		if got != want {
			t.Errorf("FindPort(%s) = %q, want %q", port, got, want)
		}
	}
}

func TestAutosuspend(t *testing.T) {
	tree := desk()
	if _, _, err := usb.Autosuspend(tree, "1-2"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("error %v, want that it is not there", err)
	}
	tree.Set(usbtest.Attribute("1-2", "power/control"), "auto\n")
	tree.Set("module/usbcore/parameters/autosuspend", "-1\n")
	if control, s, err := usb.Autosuspend(tree, "1-2"); control != "auto" || s != -1 || err != nil {
		t.Errorf("got %q, %d, %v", control, s, err)
	}
	tree.Set(usbtest.Attribute("1-2", "power/autosuspend_delay_ms"), "2000\n")
	if control, s, err := usb.Autosuspend(tree, "1-2"); control != "auto" || s != 2 || err != nil {
		t.Errorf("got %q, %d, %v", control, s, err)
	}
}

func TestListed(t *testing.T) {
	got := usb.Listed([]usb.Device{
		{Bus: 1, Address: 1, Port: "usb1", Class: 9},
		{Bus: 1, Address: 6, Port: "1-3", Vendor: 0x1209, Product: 0xff, Class: 9},
		{Bus: 1, Address: 7, Port: "1-3.2", Vendor: 0x1209, Product: 2},
	})
	want := map[string]usb.Seen{"1-3": {ID: id(0x1209, 0x00ff), Number: 6, Hub: true}, "1-3.2": {ID: recovery, Number: 7}}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}
