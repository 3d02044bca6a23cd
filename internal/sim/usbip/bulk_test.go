package usbip

import (
	"bytes"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Bytes worked out from USBTMC 1.0 (14 April 2003), tables 1, 3, 4, 8 and 9;
// that of "*IDN?" without LF also stands in a public driver's design note.
const (
	wireIDN      = "0101fe00 05000000 01000000 2a49444e 3f000000"
	wireIDNLine  = "0101fe00 06000000 01000000 2a49444e 3f0a0000"
	wireAmps     = "015ba400 0b000000 01000000 4d454153 3a435552 523f0a00"
	wireRequest  = "0202fd00 00040000 00000000"
	wireTermChar = "0202fd00 00040000 020a0000"
	wireNoError  = "0202fd00 0d000000 01000000 302c224e 6f206572 726f7222 0a"
)

func TestBulkOut(t *testing.T) {
	for _, tc := range []struct {
		name, wire string
		want       BulkOut
	}{
		{"identity", wireIDN, BulkOut{Tag: 1, Data: []byte("*IDN?"), End: true}},
		{"identity as a line", wireIDNLine, BulkOut{Tag: 1, Data: []byte("*IDN?\n"), End: true}},
		{"the standard's example of a tag, 5B and A4", wireAmps, BulkOut{Tag: 0x5b, Data: []byte("MEAS:CURR?\n"), End: true}},
		{"a part of a message", "0102fd00 04000000 00000000 4d454153", BulkOut{Tag: 2, Data: []byte("MEAS")}},
		{"request of 1024 bytes", wireRequest, BulkOut{Tag: 2, Request: true, Size: 1024}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := DecodeBulkOut(unhex(t, tc.wire))
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
			if back := tc.want.AppendTo(nil); !bytes.Equal(back, unhex(t, tc.wire)) {
				t.Errorf("encodes as\n% x, want\n%s", back, tc.wire)
			}
		})
	}
}

func TestBulkIn(t *testing.T) {
	got := BulkIn{Tag: 2, Data: []byte("0,\"No error\"\n"), End: true}.AppendTo(nil)
	if !bytes.Equal(got, unhex(t, wireNoError)) {
		t.Errorf("got\n% x, want\n%s", got, wireNoError)
	}
}

func TestBulkOutRefused(t *testing.T) {
	for name, wire := range map[string]string{
		"nothing":                   "",
		"half a header":             "0101fe00 0500",
		"tag 0":                     "0100ff00 05000000 01000000 2a49444e 3f000000",
		"inverse of another tag":    "0101fd00 05000000 01000000 2a49444e 3f000000",
		"reserved byte":             "0101fe01 05000000 01000000 2a49444e 3f000000",
		"no data":                   "0101fe00 00000000 01000000",
		"less data than it says":    "0101fe00 09000000 01000000 2a49444e 3f000000",
		"four bytes of padding":     "0101fe00 04000000 01000000 2a49444e 00000000",
		"no padding":                "0101fe00 05000000 01000000 2a49444e 3f",
		"reserved byte of data":     "0101fe00 05000000 010a0000 2a49444e 3f000000",
		"an attribute of a request": "0101fe00 05000000 03000000 2a49444e 3f000000",
		"a termination character":   wireTermChar, // GET_CAPABILITIES says: not here
		"a request with data":       wireRequest + "2a49444e",
		"a vendor's message":        "7e01fe00 05000000 01000000 2a49444e 3f000000",
		"a trigger":                 "8001fe00 00000000 00000000",
		"four gigabytes":            "0101fe00 ffffffff 01000000 2a49444e 3f000000",
	} {
		if m, err := DecodeBulkOut(unhex(t, wire)); !errors.Is(err, ErrBulkOut) {
			t.Errorf("%s: got %+v, %v; want ErrBulkOut", name, m, err)
		}
	}
}

// The kernel's driver names a termination character in every request, enabled or
// not (drivers/usb/class/usbtmc.c, send_request_dev_dep_msg_in).
func TestTermCharNotEnabled(t *testing.T) {
	got, err := DecodeBulkOut(unhex(t, "0202fd00 00040000 000a0000"))
	if diff := cmp.Diff(BulkOut{Tag: 2, Request: true, Size: 1024}, got); diff != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
}

// What decodes encodes to the same bytes but for the padding and a termination
// character, which may be anything.
func FuzzDecodeBulkOut(f *testing.F) {
	for _, s := range []string{wireIDN, wireIDNLine, wireAmps, wireRequest, wireTermChar, wireNoError, ""} {
		f.Add(unhex(f, s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := DecodeBulkOut(b)
		if err != nil {
			if !errors.Is(err, ErrBulkOut) {
				t.Errorf("% x: %v is no ErrBulkOut", b, err)
			}
			return
		}
		back := m.AppendTo(nil)
		n := bulkHeaderSize + len(m.Data)
		if m.Request {
			back[9] = b[9]
		}
		if len(back) != len(b) || !bytes.Equal(back[:n], b[:n]) {
			t.Errorf("% x decodes to %+v and encodes to % x", b, m, back)
		}
	})
}

// Whatever the host sends, an instrument never says more than it was asked for.
func FuzzTMC(f *testing.F) {
	f.Add(unhex(f, wireIDN), unhex(f, wireRequest), 512)
	f.Add(unhex(f, wireAmps), unhex(f, "0203fc00 02000000 00000000"), 5)
	f.Fuzz(func(t *testing.T, first, second []byte, max int) {
		instrument := NewTMC(func(m string) string { return m })
		instrument.out(1, first)
		instrument.out(1, second)
		m, err := DecodeBulkOut(second)
		size := 0
		if err == nil && m.Request {
			size = bulkHeaderSize + m.Size
		}
		max = 1 + max&0xfff
		got := 0
		for {
			data, ready := instrument.in(1, max)
			if !ready {
				break
			}
			if len(data) == 0 || len(data) > max {
				t.Fatalf("%d bytes in a transfer of %d", len(data), max)
			}
			got += len(data)
		}
		if got > size {
			t.Fatalf("%d bytes where %d were asked for", got, size)
		}
	})
}
