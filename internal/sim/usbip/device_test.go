package usbip

import (
	"bytes"
	"strings"
	"testing"

	"benchvigil/internal/bench"
)

func handset() Device {
	return Device{
		ID: bench.USBID{Vendor: 0x1209, Product: 0x0002}, Release: 0x0100,
		Manufacturer: "Invented", Product: "Hand é", Serial: "X1",
	}
}

// Layouts: USB 2.0 tables 9-8, 9-10, 9-12, 9-13, 9-15 and 9-16 (table numbers
// from memory).
func TestControl(t *testing.T) {
	noSerial := handset()
	noSerial.Serial = ""
	for _, tc := range []struct {
		name   string
		device Device
		setup  Setup
		want   []byte // nil and ok: no data
		ok     bool
	}{
		{
			"device", handset(),
			Setup{0x80, 6, 0x0100, 0, 18},
			[]byte{18, 1, 0, 2, 0xff, 0, 0, 64, 0x09, 0x12, 0x02, 0x00, 0x00, 0x01, 1, 2, 3, 1},
			true,
		},
		{
			"device without a serial number", noSerial,
			Setup{0x80, 6, 0x0100, 0, 18},
			[]byte{18, 1, 0, 2, 0xff, 0, 0, 64, 0x09, 0x12, 0x02, 0x00, 0x00, 0x01, 1, 2, 0, 1},
			true,
		},
		{
			"configuration", handset(),
			Setup{0x80, 6, 0x0200, 0, 255},
			[]byte{
				9, 2, 32, 0, 1, 1, 0, 0xc0, 50,
				9, 4, 0, 0, 2, 0xff, 0, 0, 0,
				7, 5, 0x81, 2, 0, 2, 0,
				7, 5, 0x01, 2, 0, 2, 0,
			},
			true,
		},
		{"second configuration", handset(), Setup{0x80, 6, 0x0201, 0, 255}, nil, false},
		{"languages", handset(), Setup{0x80, 6, 0x0300, 0, 255}, []byte{4, 3, 9, 4}, true},
		{"product", handset(), Setup{0x80, 6, 0x0302, 0x0409, 255}, []byte{14, 3, 'H', 0, 'a', 0, 'n', 0, 'd', 0, ' ', 0, 0xe9, 0}, true},
		{"serial", handset(), Setup{0x80, 6, 0x0303, 0x0409, 255}, []byte{6, 3, 'X', 0, '1', 0}, true},
		{"serial of a device without one", noSerial, Setup{0x80, 6, 0x0303, 0x0409, 255}, nil, false},
		{"qualifier", handset(), Setup{0x80, 6, 0x0600, 0, 10}, nil, false},
		{"set configuration", handset(), Setup{0, 9, 1, 0, 0}, nil, true},
		{"status", handset(), Setup{0x80, 0, 0, 0, 2}, []byte{1, 0}, true},
		{"vendor request", handset(), Setup{0xc0, 6, 0x0100, 0, 18}, nil, false},
		{"no such request", handset(), Setup{0x80, 99, 0, 0, 0}, nil, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, ok := tc.device.control(tc.setup, nil)
			if ok != tc.ok || ok && !bytes.Equal(got, tc.want) {
				t.Errorf("got % x, %v; want % x, %v", got, ok, tc.want, tc.ok)
			}
		})
	}
}

func TestParseSetup(t *testing.T) {
	got := ParseSetup([8]byte{0x80, 6, 0x02, 0x03, 0x09, 0x04, 0xff, 0x01})
	if want := (Setup{0x80, 6, 0x0302, 0x0409, 0x01ff}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

func TestLongStringFits(t *testing.T) {
	d := handset()
	d.Product = strings.Repeat("x", 1000)
	b, _ := d.stringDescriptor(stringProduct)
	if len(b) != int(b[0]) || len(b) != 2+2*maxUnits {
		t.Errorf("%d bytes, of which the descriptor claims %d", len(b), b[0])
	}
}
