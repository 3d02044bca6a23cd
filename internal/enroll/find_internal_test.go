package enroll

import (
	"bytes"
	"context"
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/config"
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

// An instrument that a station has already may be in the middle of an answer
// to a watch: it is named, and not asked who it is.
func TestInstrumentsOfOtherStationsAreNotAsked(t *testing.T) {
	var out bytes.Buffer
	var asked []string
	s := &session{
		Options: Options{
			Root: fstest.MapFS{"dev/usbtmc0": {}, "dev/usbtmc1": {}},
			Ask: func(_ context.Context, address, _ string, _ time.Duration) (string, error) {
				asked = append(asked, address)
				return "Invented,TMC", nil
			},
		},
		talk:  newTalk(t.Context(), strings.NewReader("2\n"), &out, false),
		draft: config.Draft{Stations: []config.DraftStation{{ID: "a", Address: "usbtmc:///dev/usbtmc0?x=1"}}},
		sysfs: fstest.MapFS{},
	}
	address, err := s.chooseSupply(t.Context())
	if err != nil || address != "usbtmc:///dev/usbtmc1" {
		t.Errorf("chose %q, %v", address, err)
	}
	if d := cmp.Diff([]string{"usbtmc:///dev/usbtmc1"}, asked); d != "" {
		t.Errorf("asked (-want +got):\n%s", d)
	}
	if !strings.Contains(out.String(), "/dev/usbtmc0  (of station a)") {
		t.Errorf("says:\n%s", &out)
	}
}
