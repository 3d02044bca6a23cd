package enroll

import (
	"io/fs"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
)

func link(to string) *fstest.MapFile {
	return &fstest.MapFile{Data: []byte(to), Mode: fs.ModeSymlink}
}

// What stands on a station's port is a board, even if it shows a serial port:
// it must not be offered, let alone be asked anything.
func TestInstruments(t *testing.T) {
	root := fstest.MapFS{
		"dev/usbtmc0":                            {},
		"dev/serial/by-id/usb-Invented_PSU-if00": link("../../ttyUSB0"),
		"dev/serial/by-id/usb-Board_1-if00":      link("../../ttyACM0"),
		"dev/serial/by-id/usb-Unplaced-if00":     link("../../ttyACM7"),
		"dev/ttyS0":                              {},
	}
	sysfs := fstest.MapFS{
		"class/usbmisc/usbtmc0": link("../../devices/pci0000:00/0000:00:14.0/usb1/1-4/1-4:1.0/usbmisc/usbtmc0"),
		"class/tty/ttyUSB0":     link("../../devices/pci0000:00/0000:00:14.0/usb1/1-5/1-5.2/1-5.2:1.0/ttyUSB0/tty/ttyUSB0"),
		"class/tty/ttyACM0":     link("../../devices/pci0000:00/0000:00:14.0/usb1/1-2/1-2:1.0/tty/ttyACM0"),
	}
	want := []found{
		{"usbtmc:///dev/usbtmc0", "/dev/usbtmc0", "1-4", true},
		{"serial:///dev/serial/by-id/usb-Invented_PSU-if00", "/dev/serial/by-id/usb-Invented_PSU-if00", "1-5.2", false},
		{"serial:///dev/serial/by-id/usb-Unplaced-if00", "/dev/serial/by-id/usb-Unplaced-if00", "", false},
	}
	got := instruments(root, sysfs, []string{"", "1-2"})
	if d := cmp.Diff(want, got, cmp.AllowUnexported(found{})); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if got := instruments(fstest.MapFS{}, fstest.MapFS{}, nil); got != nil {
		t.Errorf("found %v on an empty computer", got)
	}
}
