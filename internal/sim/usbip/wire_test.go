package usbip

import (
	"bytes"
	"encoding/hex"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The captured headers of the kernel's Documentation/usb/usbip_protocol.rst,
// section EXAMPLE: an interrupt transfer of a human interface device.
const (
	docCmdIn  = "00000001 00000d05 0001000f 00000001 00000001 00000200 00000040 ffffffff 00000000 00000004 00000000 00000000"
	docCmdOut = "00000001 00000d06 0001000f 00000000 00000001 00000000 00000040 ffffffff 00000000 00000004 00000000 00000000"
	docRetOut = "00000003 00000d06 00000000 00000000 00000000 00000000 00000040 ffffffff 00000000 00000000 00000000 00000000"
	docRetIn  = "00000003 00000d05 00000000 00000000 00000000 00000000 00000040 ffffffff 00000000 00000000 00000000 00000000"
)

// The layouts of the same document's tables; the document has no captured
// unlink, so these bytes are ours.
const (
	tableCmdUnlink = "00000002 00000d07 0001000f 00000000 00000000 00000d05 00000000 00000000 00000000 00000000 00000000 00000000"
	tableRetUnlink = "00000004 00000d07 00000000 00000000 00000000 ffffff98 00000000 00000000 00000000 00000000 00000000 00000000"
	tableCmdSetup  = "00000001 00000001 00010002 00000001 00000000 00000200 00000012 00000000 ffffffff 00000000 80060001 00001200"
)

func unhex(tb testing.TB, s string) []byte {
	tb.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

func TestCommands(t *testing.T) {
	for _, tc := range []struct {
		name, header string
		want         interface {
			Command
			AppendTo([]byte) []byte
		}
	}{
		{"document, interrupt in", docCmdIn, Submit{Seq: 0xd05, DevID: 0x1000f, In: true, Endpoint: 1, Flags: 0x200, Length: 64, StartFrame: -1, Interval: 4}},
		{"document, interrupt out", docCmdOut, Submit{Seq: 0xd06, DevID: 0x1000f, Endpoint: 1, Length: 64, StartFrame: -1, Interval: 4}},
		{"get device descriptor", tableCmdSetup, Submit{
			Seq: 1, DevID: 0x10002, In: true, Flags: 0x200, Length: 18, Packets: -1,
			Setup: [8]byte{0x80, 6, 0, 1, 0, 0, 18, 0},
		}},
		{"unlink", tableCmdUnlink, Unlink{Seq: 0xd07, DevID: 0x1000f, Victim: 0xd05}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := unhex(t, tc.header)
			got, err := DecodeCommand(b)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(Command(tc.want), got); diff != "" {
				t.Errorf("decoded (-want +got):\n%s", diff)
			}
			if enc := tc.want.AppendTo(nil); !bytes.Equal(enc, b) {
				t.Errorf("encoded\n%x, want\n%x", enc, b)
			}
		})
	}
}

func TestReplies(t *testing.T) {
	for _, tc := range []struct {
		name, want string
		reply      interface{ AppendTo([]byte) []byte }
	}{
		{"document, interrupt out", docRetOut, SubmitReply{Seq: 0xd06, Actual: 64, StartFrame: -1}},
		{"document, interrupt in", docRetIn, SubmitReply{Seq: 0xd05, Actual: 64, StartFrame: -1}},
		{"unlinked", tableRetUnlink, UnlinkReply{Seq: 0xd07, Status: -econnreset}},
	} {
		if got := tc.reply.AppendTo(nil); !bytes.Equal(got, unhex(t, tc.want)) {
			t.Errorf("%s: got\n%x, want\n%s", tc.name, got, tc.want)
		}
	}
}

func TestDecodeRefuses(t *testing.T) {
	edit := func(word int, v byte) []byte {
		b := unhex(t, docCmdIn)
		b[4*word] = v
		return b
	}
	for _, tc := range []struct {
		name   string
		header []byte
	}{
		{"empty", nil},
		{"short", unhex(t, docCmdIn)[:47]},
		{"long", append(unhex(t, docCmdIn), 0)},
		{"a reply", unhex(t, docRetIn)},
		{"no such command", edit(0, 9)},
		{"no such direction", edit(3, 1)},
		{"no such endpoint", edit(4, 1)},
		{"two gigabytes", edit(6, 0x7f)},
		{"negative length", edit(6, 0xff)},
		{"isochronous", edit(8, 0x01)},
	} {
		if c, err := DecodeCommand(tc.header); !errors.Is(err, ErrHeader) {
			t.Errorf("%s: got %+v, %v; want ErrHeader", tc.name, c, err)
		}
	}
}

// What decodes must encode to the same words, padding aside, and decode again
// to the same command.
func FuzzDecodeCommand(f *testing.F) {
	for _, s := range []string{docCmdIn, docCmdOut, docRetIn, tableCmdUnlink, tableCmdSetup} {
		f.Add(unhex(f, s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := DecodeCommand(b)
		if err != nil {
			return
		}
		again, err := DecodeCommand(c.(interface{ AppendTo([]byte) []byte }).AppendTo(nil))
		if err != nil || again != c {
			t.Errorf("%+v decodes again to %+v, %v", c, again, err)
		}
		if s, ok := c.(Submit); ok && (s.Length < 0 || s.Length > maxTransfer) {
			t.Errorf("length %d let through", s.Length)
		}
	})
}
