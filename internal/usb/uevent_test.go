package usb_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/usb"
	"benchvigil/internal/usb/usbtest"
)

// Bytes as the kernel makes them. The form is that of lib/kobject_uevent.c:
// ACTION@DEVPATH, then ACTION, DEVPATH, SUBSYSTEM, the caller's and the
// subsystem's keys, SEQNUM last, each ended by NUL; no prose document of it was
// found. The keys of a USB device are those of Documentation/ABI/testing/
// usb-uevent and usb_dev_uevent; PRODUCT has no leading zeros.
const (
	addBytes = "add@/devices/pci0000:00/0000:00:14.0/usb1/1-1\x00ACTION=add\x00DEVPATH=/devices/pci0000:00/0000:00:14.0/usb1/1-1\x00SUBSYSTEM=usb\x00MAJOR=189\x00MINOR=4\x00DEVNAME=bus/usb/001/005\x00DEVTYPE=usb_device\x00PRODUCT=18d1/4ee7/440\x00TYPE=0/0/0\x00BUSNUM=001\x00DEVNUM=005\x00SEQNUM=4711\x00"

	hubBytes = "remove@/devices/platform/vhci_hcd.0/usb3/3-1/3-1.4\x00ACTION=remove\x00DEVPATH=/devices/platform/vhci_hcd.0/usb3/3-1/3-1.4\x00SUBSYSTEM=usb\x00MAJOR=189\x00MINOR=258\x00DEVNAME=bus/usb/003/003\x00DEVTYPE=usb_device\x00PRODUCT=1209/3/100\x00TYPE=255/0/0\x00BUSNUM=003\x00DEVNUM=003\x00SEQNUM=18446744073709551615\x00"

	interfaceBytes = "bind@/devices/pci0000:00/0000:00:14.0/usb1/1-1/1-1:1.0\x00ACTION=bind\x00DEVPATH=/devices/pci0000:00/0000:00:14.0/usb1/1-1/1-1:1.0\x00SUBSYSTEM=usb\x00DEVTYPE=usb_interface\x00DRIVER=cdc_acm\x00PRODUCT=1209/10/100\x00TYPE=0/0/0\x00INTERFACE=2/2/1\x00MODALIAS=usb:v1209p0010d0100dc00dsc00dp00ic02isc02ip01in00\x00SEQNUM=12\x00"

	rootBytes = "add@/devices/platform/vhci_hcd.0/usb3\x00ACTION=add\x00DEVPATH=/devices/platform/vhci_hcd.0/usb3\x00SUBSYSTEM=usb\x00DEVTYPE=usb_device\x00PRODUCT=1d6b/2/601\x00SEQNUM=7\x00"

	// A synthetic event of Documentation/ABI/testing/sysfs-uevent.
	synthBytes = "change@/devices/virtual/net/lo\x00ACTION=change\x00DEVPATH=/devices/virtual/net/lo\x00SUBSYSTEM=net\x00SYNTH_UUID=0\x00INTERFACE=lo\x00IFINDEX=1\x00SEQNUM=1563\x00"

	oddBytes = "change@/devices/x@2/a=b/1-2\x00ACTION=change\x00DEVPATH=/devices/x@2/a=b/1-2\x00SUBSYSTEM=usb\x00DEVTYPE=usb_device\x00NAME=\"a=b=c\"\x00EMPTY=\x00SEQNUM=0\x00"
)

func TestParseUevent(t *testing.T) {
	if len(addBytes) != 249 {
		t.Fatalf("the add sample has %d bytes, the kernel's format gives 249", len(addBytes))
	}
	for _, tc := range []struct {
		name, in, action, path string
		seq                    uint64
		port                   string
		vars                   map[string]string // some of them
	}{
		{"device", addBytes, "add", "/devices/pci0000:00/0000:00:14.0/usb1/1-1", 4711, "1-1", map[string]string{"PRODUCT": "18d1/4ee7/440", "DEVNUM": "005"}},
		{"behind a hub, largest SEQNUM", hubBytes, "remove", "/devices/platform/vhci_hcd.0/usb3/3-1/3-1.4", 1<<64 - 1, "3-1.4", nil},
		{"interface", interfaceBytes, "bind", "/devices/pci0000:00/0000:00:14.0/usb1/1-1/1-1:1.0", 12, "", map[string]string{"DRIVER": "cdc_acm"}},
		{"root hub", rootBytes, "add", "/devices/platform/vhci_hcd.0/usb3", 7, "", nil},
		{"other subsystem", synthBytes, "change", "/devices/virtual/net/lo", 1563, "", map[string]string{"SYNTH_UUID": "0"}},
		{"signs in path and values", oddBytes, "change", "/devices/x@2/a=b/1-2", 0, "1-2", map[string]string{"NAME": `"a=b=c"`, "EMPTY": ""}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			u, err := usb.ParseUevent([]byte(tc.in))
			if err != nil {
				t.Fatal(err)
			}
			if u.Action != tc.action || u.DevPath != tc.path || u.Seq != tc.seq {
				t.Errorf("got %s@%s %d, want %s@%s %d", u.Action, u.DevPath, u.Seq, tc.action, tc.path, tc.seq)
			}
			if port, ok := u.Port(); port != tc.port && ok || ok != (tc.port != "") {
				t.Errorf("Port() = %q, %v; want %q", port, ok, tc.port)
			}
			for k, want := range tc.vars {
				if got, ok := u.Vars[k]; got != want || !ok {
					t.Errorf("%s = %q, %v; want %q", k, got, ok, want)
				}
			}
			if n := strings.Count(tc.in, "\x00") - 1; len(u.Vars) != n {
				t.Errorf("%d variables, want %d", len(u.Vars), n)
			}
		})
	}
}

func TestParseUeventRefuses(t *testing.T) {
	for name, in := range map[string]string{
		"nothing":              "",
		"only NUL":             "\x00",
		"cut off":              addBytes[:len(addBytes)-1],
		"no at sign":           "add /devices/x\x00SEQNUM=1\x00",
		"no action":            "@/devices/x\x00SEQNUM=1\x00",
		"relative path":        "add@devices/x\x00SEQNUM=1\x00",
		"no SEQNUM":            "add@/devices/x\x00ACTION=add\x00",
		"SEQNUM too large":     "add@/devices/x\x00SEQNUM=18446744073709551616\x00",
		"SEQNUM signed":        "add@/devices/x\x00SEQNUM=-1\x00",
		"SEQNUM in hex":        "add@/devices/x\x00SEQNUM=0x10\x00",
		"variable without =":   "add@/devices/x\x00ACTION\x00SEQNUM=1\x00",
		"variable without key": "add@/devices/x\x00=add\x00SEQNUM=1\x00",
		"empty variable":       "add@/devices/x\x00\x00SEQNUM=1\x00",
		"too many":             "add@/devices/x\x00" + strings.Repeat("K=V\x00", 300) + "SEQNUM=1\x00",
		"too long":             "add@/devices/x\x00K=" + strings.Repeat("v", 9000) + "\x00SEQNUM=1\x00",
	} {
		if u, err := usb.ParseUevent([]byte(in)); !errors.Is(err, usb.ErrMalformed) {
			t.Errorf("%s: got %+v, %v; want ErrMalformed", name, u, err)
		}
	}
}

// The udev daemon's messages begin with "libudev" and NUL (from memory:
// systemd src/libsystemd/sd-device/device-monitor.c).
func TestParseUeventKnowsRebroadcast(t *testing.T) {
	in := "libudev\x00\xfe\xed\xca\xfe\x28\x00\x00\x00\x28\x00\x00\x00\x10\x01\x00\x00" + addBytes
	if _, err := usb.ParseUevent([]byte(in)); !errors.Is(err, usb.ErrRebroadcast) {
		t.Errorf("got %v, want ErrRebroadcast", err)
	}
}

// The published fake makes the bytes that the kernel makes.
func TestFakeMessagesAreTheKernels(t *testing.T) {
	d := usbtest.Device{ID: id(0x18d1, 0x4ee7), Devnum: 5}
	got := string(usbtest.DeviceMessage("add", "1-1", d, 4711))
	want := strings.NewReplacer("/440\x00", "/100\x00", "TYPE=0/0/0", "TYPE=255/0/0").Replace(addBytes)
	if diff := cmp.Diff(strings.Split(want, "\x00"), strings.Split(got, "\x00")); diff != "" {
		t.Errorf("message (-kernel +fake):\n%s", diff)
	}
	u, err := usb.ParseUevent(usbtest.InterfaceMessage("bind", "1-2.3", d, 9))
	if err != nil || u.DevPath != "/devices/pci0000:00/0000:00:14.0/usb1/1-2/1-2.3/1-2.3:1.0" {
		t.Errorf("interface at %q, %v", u.DevPath, err)
	}
}

func TestValidPort(t *testing.T) {
	for _, s := range []string{"1-1", "1-2.3", "12-14.7.1", "1-1.1.1.1.1.1"} {
		if !usb.ValidPort(s) {
			t.Errorf("ValidPort(%q) = false", s)
		}
	}
	for _, s := range []string{"", "1", "usb1", "1-", "-1", "0-1", "1-0", "01-1", "1-01", "1-2:1.0", "1-2.", "1-.2", "1-2..3", "1-2/3", "..", "1-1.1.1.1.1.1.1", "1-256", "1000-1", "1- 2", "+1-2"} {
		if usb.ValidPort(s) {
			t.Errorf("ValidPort(%q) = true", s)
		}
	}
}

// Whatever is accepted means the same when it is written again.
func FuzzParseUevent(f *testing.F) {
	for _, s := range []string{addBytes, hubBytes, interfaceBytes, rootBytes, synthBytes, oddBytes, "libudev\x00", "", "@\x00", addBytes[:100]} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		u, err := usb.ParseUevent(b)
		if err != nil {
			if !errors.Is(err, usb.ErrMalformed) && !errors.Is(err, usb.ErrRebroadcast) {
				t.Fatalf("unknown error %v", err)
			}
			return
		}
		if port, ok := u.Port(); ok && (!usb.ValidPort(port) || !strings.HasSuffix(u.DevPath, "/"+port)) {
			t.Fatalf("port %q of path %q", port, u.DevPath)
		}
		again := fmt.Sprintf("%s@%s\x00", u.Action, u.DevPath)
		for k, v := range u.Vars {
			again += k + "=" + v + "\x00"
		}
		back, err := usb.ParseUevent([]byte(again))
		if err != nil {
			t.Fatalf("%q reads back as %v", again, err)
		}
		if diff := cmp.Diff(u, back); diff != "" {
			t.Fatalf("read back (-first +second):\n%s", diff)
		}
	})
}

func BenchmarkParseUevent(b *testing.B) {
	in := []byte(addBytes)
	b.ReportAllocs()
	b.SetBytes(int64(len(in)))
	for b.Loop() {
		if _, err := usb.ParseUevent(in); err != nil {
			b.Fatal(err)
		}
	}
}
