package scan_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/usb"
	"benchvigil/internal/usb/scan"
)

// deadline is ample: the child of a test is slow under the race detector.
const deadline = time.Minute

// childEnv makes the test binary list devices as "usb-scan" does.
const childEnv = "BENCHVIGIL_TEST_SCAN"

func TestMain(m *testing.M) {
	if os.Getenv(childEnv) == "" {
		os.Exit(m.Run())
	}
	devices, err := scan.Devices(context.Background())
	if err := usb.WriteScan(os.Stdout, devices, err); err != nil {
		os.Exit(1)
	}
}

// Whatever this computer has: libusb must answer, and every path must be one
// that the parent accepts.
func TestDevicesOfThisComputer(t *testing.T) {
	devices, err := scan.Devices(t.Context())
	if err != nil {
		t.Logf("incomplete: %v", err)
	}
	t.Logf("%d devices", len(devices))
	var b bytes.Buffer
	if err := usb.WriteScan(&b, devices, err); err != nil {
		t.Fatal(err)
	}
	for _, d := range devices {
		if len(d.Port) < 4 || d.Port[:3] != "usb" && !usb.ValidPort(d.Port) {
			t.Errorf("%+v: not a port path", d)
		}
		if d.Bus <= 0 || d.Address <= 0 || d.Speed == "" {
			t.Errorf("%+v: no bus, address or speed", d)
		}
	}
}

func TestDevicesOfEndedContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	devices, err := scan.Devices(ctx)
	if len(devices) != 0 || !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, %v; want nothing and context canceled", devices, err)
	}
}

// libusb itself lists two devices that umockdev pretends to have, through the
// child and the parent as shipped.
func TestChildListsPretendedDevices(t *testing.T) {
	run, err := exec.LookPath("umockdev-run")
	if err != nil {
		t.Skip("umockdev-run (Debian package umockdev) is not installed")
	}
	t.Setenv(childEnv, "1")
	list := usb.ChildScan(run, []string{"-d", "testdata/bench.umockdev", "--", os.Args[0]}, deadline)
	got, err := list(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	want := []usb.Device{
		{Bus: 1, Address: 2, Port: "1-1", Vendor: 0x1209, Product: 0x0001, Class: 0xff, Speed: "high"},
		{Bus: 1, Address: 1, Port: "usb1", Vendor: 0x1d6b, Product: 0x0002, Class: 0x09, Speed: "high"},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("devices (-want +got):\n%s", diff)
	}
}
