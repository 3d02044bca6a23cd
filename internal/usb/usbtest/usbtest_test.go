package usbtest_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"sync"
	"testing"
	"testing/fstest"

	"benchvigil/internal/bench"
	"benchvigil/internal/usb"
	"benchvigil/internal/usb/usbtest"
)

var phone = usbtest.Device{ID: bench.USBID{Vendor: 0x1209, Product: 3}, Devnum: 7, Serial: "X1", URBs: 10}

func TestTreeIsAFileSystem(t *testing.T) {
	tree := usbtest.NewTree()
	tree.Plug("1-2.3", phone)
	tree.Plug("1-1", usbtest.Device{Devnum: 3, Speed: "12"})
	tree.Unplug("1-1")
	tree.Remove("does/not/exist")
	if err := fstest.TestFS(tree, usbtest.Attribute("1-2.3", "urbnum"), usbtest.Attribute("1-2.3", "serial")); err != nil {
		t.Error(err)
	}
	for name, want := range map[string]string{
		"idVendor": "1209\n", "idProduct": "0003\n", "devnum": "7\n", "speed": "480\n", "urbnum": "10\n", "serial": "X1\n",
		// USB 2.0 table 9-8: length, type, then vendor and product, low byte first.
		"descriptors": "\x12\x01\x00\x02\xff\x00\x00\x40\x09\x12\x03\x00\x00\x01\x01\x02\x03\x01",
	} {
		if got, err := fs.ReadFile(tree, usbtest.Attribute("1-2.3", name)); string(got) != want || err != nil {
			t.Errorf("%s = %q, %v; want %q", name, got, err, want)
		}
	}
	if _, err := fs.Stat(tree, usbtest.Attribute("1-1", "")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("an unplugged device: %v, want that it does not exist", err)
	}
}

// Readers and writers at once; the race detector judges.
func TestTreeChangesWhileRead(t *testing.T) {
	tree := usbtest.NewTree()
	var wg sync.WaitGroup
	for i := range 4 {
		port := fmt.Sprintf("1-%d", i%2+1)
		wg.Go(func() {
			for range 200 {
				tree.Plug(port, phone)
				tree.Set(usbtest.Attribute(port, "urbnum"), "11\n")
				tree.Unplug(port)
			}
		})
		wg.Go(func() {
			for range 200 {
				_, err := fs.ReadFile(tree, usbtest.Attribute(port, "devnum"))
				if err != nil && !errors.Is(err, fs.ErrNotExist) {
					t.Error(err)
				}
				if _, err := fs.ReadDir(tree, usbtest.Devices); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
}

func TestScriptKeepsOrder(t *testing.T) {
	var s usbtest.Script
	s.Send(usbtest.DeviceMessage("add", "1-2", phone, 5))
	s.Fail(usb.ErrOverrun)
	rx, err := s.Listen()
	if err != nil {
		t.Fatal(err)
	}
	if u, err := rx.Receive(t.Context()); err != nil || u.Seq != 5 || u.Action != "add" {
		t.Errorf("first: %+v, %v", u, err)
	}
	if _, err := rx.Receive(t.Context()); !errors.Is(err, usb.ErrOverrun) {
		t.Errorf("second: %v, want ErrOverrun", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := rx.Receive(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("third: %v, want context canceled", err)
	}
}

func TestDevPath(t *testing.T) {
	const want = "/devices/pci0000:00/0000:00:14.0/usb12/12-2/12-2.3/12-2.3.14"
	if got := usbtest.DevPath("12-2.3.14"); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}
