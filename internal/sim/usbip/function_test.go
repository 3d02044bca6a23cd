package usbip

import (
	"bytes"
	"strings"
	"testing"

	"benchvigil/internal/bench"
)

// An instrument that answers a line with itself in capitals, and "?" with
// nothing.
func shout(line string) string {
	if line == "?" {
		return ""
	}
	return strings.ToUpper(line)
}

func instrument(f Function) Device {
	return Device{ID: bench.USBID{Vendor: 0x1209, Product: 0x0010}, Manufacturer: "Invented", Product: "Supply", Serial: "PSU-1", Function: f}
}

// Layouts: USB 2.0 tables 9-10, 9-12 and 9-13, the IAD engineering change
// notice, CDC 1.20 section 5.2.3 with PSTN 1.20 section 5.3, and USBTMC 1.0
// section 5 (all from memory); that the kernel's drivers take them is shown by
// the virtual machine.
func TestConfigurations(t *testing.T) {
	for _, tc := range []struct {
		name  string
		f     Function
		class []byte
		want  []byte
	}{
		{"serial", NewSerial(shout), []byte{0xef, 2, 1}, []byte{
			9, 2, 75, 0, 2, 1, 0, 0xc0, 50,
			8, 11, 0, 2, 2, 2, 0, 0,
			9, 4, 0, 0, 1, 2, 2, 0, 0,
			5, 0x24, 0, 0x20, 1,
			5, 0x24, 1, 0, 1,
			4, 0x24, 2, 2,
			5, 0x24, 6, 0, 1,
			7, 5, 0x81, 3, 16, 0, 9,
			9, 4, 1, 0, 2, 10, 0, 0, 0,
			7, 5, 0x82, 2, 0, 2, 0,
			7, 5, 0x02, 2, 0, 2, 0,
		}},
		{"usbtmc", NewTMC(shout), []byte{0, 0, 0}, []byte{
			9, 2, 32, 0, 1, 1, 0, 0xc0, 50,
			9, 4, 0, 0, 2, 0xfe, 3, 0, 0,
			7, 5, 0x81, 2, 0, 2, 0,
			7, 5, 0x01, 2, 0, 2, 0,
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d := instrument(tc.f)
			if got := d.configDescriptor(); !bytes.Equal(got, tc.want) {
				t.Errorf("configuration\n% x, want\n% x", got, tc.want)
			}
			if got := d.deviceDescriptor()[4:7]; !bytes.Equal(got, tc.class) {
				t.Errorf("class % x, want % x", got, tc.class)
			}
		})
	}
}

func TestHas(t *testing.T) {
	d := instrument(NewSerial(shout))
	for _, tc := range []struct {
		endpoint int
		in, want bool
	}{{1, true, true}, {1, false, false}, {2, true, true}, {2, false, true}, {3, true, false}} {
		if got := d.has(tc.endpoint, tc.in); got != tc.want {
			t.Errorf("endpoint %d, in %t: %t", tc.endpoint, tc.in, got)
		}
	}
}

// in asks for data; nothing comes of it until there is some.
func in(seq uint32, endpoint, max int) []byte {
	return Submit{Seq: seq, In: true, Endpoint: endpoint, Length: max}.AppendTo(nil)
}

func out(seq uint32, endpoint int, data []byte) []byte {
	return append(Submit{Seq: seq, Endpoint: endpoint, Length: len(data)}.AppendTo(nil), data...)
}

// said is the reply that ends an IN transfer.
func said(seq uint32, data string) []byte {
	return append(SubmitReply{Seq: seq, Actual: len(data)}.AppendTo(nil), data...)
}

func taken(seq uint32, n int) []byte { return SubmitReply{Seq: seq, Actual: n}.AppendTo(nil) }

// The kernel has several reads and a notification waiting; lines come in
// pieces; answers go to the reads in their order.
func TestSerialConversation(t *testing.T) {
	k := startKernel(t, instrument(NewSerial(shout)))
	k.send(in(1, 1, 16))
	k.send(in(2, 2, 4))
	k.send(in(3, 2, 64))
	k.send(in(4, 2, 64))
	k.send(out(5, 2, []byte("volt")))
	k.expect(taken(5, 4))
	k.send(out(6, 2, []byte("s?\r\n")))
	k.expect(taken(6, 4))
	k.expect(said(2, "VOLT"))
	k.expect(said(3, "S?\n"))
	k.send(out(7, 2, []byte("?\n"))) // silence
	k.expect(taken(7, 2))
	k.send(out(8, 2, []byte("a\nb\n")))
	k.expect(taken(8, 4))
	k.expect(said(4, "A\nB\n"))
	k.send(Unlink{Seq: 9, Victim: 1}.AppendTo(nil)) // the notification never came
	k.expect(UnlinkReply{Seq: 9, Status: -econnreset}.AppendTo(nil))
	k.send(out(10, 2, []byte("c\n"))) // nobody reads it yet
	k.expect(taken(10, 2))
	k.send(in(11, 2, 64))
	k.expect(said(11, "C\n"))
	if err := k.finish(); err != nil {
		t.Error(err)
	}
}

// A read that was taken back takes no answer with it.
func TestUnlinkedReadLosesNothing(t *testing.T) {
	k := startKernel(t, instrument(NewSerial(shout)))
	k.send(in(1, 2, 64))
	k.send(Unlink{Seq: 2, Victim: 1}.AppendTo(nil))
	k.expect(UnlinkReply{Seq: 2, Status: -econnreset}.AppendTo(nil))
	k.send(out(3, 2, []byte("a\n")))
	k.expect(taken(3, 2))
	k.send(in(4, 2, 64))
	k.expect(said(4, "A\n"))
	if err := k.finish(); err != nil {
		t.Error(err)
	}
}

func TestSerialControl(t *testing.T) {
	s := NewSerial(shout)
	d := instrument(s)
	coding := []byte{0x00, 0xc2, 0x01, 0x00, 0, 0, 8} // 115200 8N1, PSTN 1.20 table 17 (from memory)
	if _, ok := d.control(Setup{0x21, 0x20, 0, 0, 7}, coding); !ok || s.Baud() != 115200 {
		t.Errorf("line coding: %t, %d baud", ok, s.Baud())
	}
	if got, ok := d.control(Setup{0xa1, 0x21, 0, 0, 7}, nil); !ok || !bytes.Equal(got, coding) {
		t.Errorf("line coding reads back as % x, %t", got, ok)
	}
	if _, ok := d.control(Setup{0x21, 0x20, 0, 0, 3}, coding[:3]); ok || s.Baud() != 115200 {
		t.Error("half a line coding was taken")
	}
	if _, ok := d.control(Setup{0x21, 0x22, 3, 0, 0}, nil); !ok {
		t.Error("DTR and RTS were refused")
	}
	if _, ok := d.control(Setup{0x21, 0x23, 0xffff, 0, 0}, nil); ok {
		t.Error("a break was taken, which the descriptors do not offer")
	}
	s.out(2, []byte("half"))
	d.control(Setup{0, 9, 1, 0, 0}, nil)
	if s.out(2, []byte("x\n")); s.Baud() != 0 || string(s.said) != "X\n" {
		t.Errorf("plugged in anew: %d baud, %q", s.Baud(), s.said)
	}
}

// The order of the kernel's driver: the message, the request, the read.
func TestTMCConversation(t *testing.T) {
	k := startKernel(t, instrument(NewTMC(shout)))
	tmc := func(tag byte, text string, end bool) []byte {
		return BulkOut{Tag: tag, Data: []byte(text), End: end}.AppendTo(nil)
	}
	request := func(tag byte, size int) []byte { return BulkOut{Tag: tag, Request: true, Size: size}.AppendTo(nil) }
	reply := func(tag byte, text string, end bool) string {
		return string(BulkIn{Tag: tag, Data: []byte(text), End: end}.AppendTo(nil))
	}
	k.send(out(1, 1, tmc(1, "amps?\n", true)))
	k.expect(taken(1, 20))
	k.send(out(2, 1, request(2, 1024)))
	k.expect(taken(2, 12))
	k.send(in(3, 1, 4096))
	k.expect(said(3, reply(2, "AMPS?\n", true)))

	// A message in two transfers; the read stands before it; the answer is
	// fetched in two, the second of them in two reads.
	k.send(in(4, 1, 4096))
	k.send(out(5, 1, tmc(3, "vol", false)))
	k.expect(taken(5, 16))
	k.send(out(6, 1, tmc(4, "ts?", true)))
	k.expect(taken(6, 16))
	k.send(out(7, 1, request(5, 2)))
	k.expect(taken(7, 12))
	k.expect(said(4, reply(5, "VO", false)))
	k.send(out(8, 1, request(6, 64)))
	k.expect(taken(8, 12))
	rest := reply(6, "LTS?\n", true)
	k.send(in(9, 1, 14))
	k.expect(said(9, rest[:14]))
	k.send(in(10, 1, 14))
	k.expect(said(10, rest[14:]))

	// Silence: the read is taken back and the instrument cleared; then an answer
	// that nobody fetched gives way to the next one.
	k.send(out(11, 1, tmc(7, "?", true)))
	k.expect(taken(11, 16))
	k.send(out(12, 1, request(8, 64)))
	k.expect(taken(12, 12))
	k.send(in(13, 1, 64))
	k.send(Unlink{Seq: 14, Victim: 13}.AppendTo(nil))
	k.expect(UnlinkReply{Seq: 14, Status: -econnreset}.AppendTo(nil))
	k.send(Submit{Seq: 15, In: true, Length: 1, Setup: [8]byte{0xa1, 5, 0, 0, 0, 0, 1}}.AppendTo(nil))
	k.expect(said(15, "\x01"))
	k.send(Submit{Seq: 16, In: true, Length: 2, Setup: [8]byte{0xa1, 6, 0, 0, 0, 0, 2}}.AppendTo(nil))
	k.expect(said(16, "\x01\x00"))
	k.send(out(17, 1, tmc(9, "old", true)))
	k.expect(taken(17, 16))
	k.send(out(18, 1, tmc(10, "new", true)))
	k.expect(taken(18, 16))
	k.send(out(19, 1, request(11, 64)))
	k.expect(taken(19, 12))
	k.send(in(20, 1, 64))
	k.expect(said(20, reply(11, "NEW\n", true)))

	k.send(out(21, 1, []byte("no USBTMC at all")))
	k.expect(SubmitReply{Seq: 21, Status: -epipe}.AppendTo(nil))
	if err := k.finish(); err != nil {
		t.Error(err)
	}
}

// USBTMC 1.0 table 37: status, a reserved byte, the version, and what it can do
// (from memory).
func TestTMCCapabilities(t *testing.T) {
	d := instrument(NewTMC(shout))
	got, ok := d.control(Setup{0xa1, 7, 0, 0, 24}, nil)
	want := make([]byte, 24)
	want[0], want[3] = 1, 1
	if !ok || !bytes.Equal(got, want) {
		t.Errorf("capabilities % x, %t", got, ok)
	}
	if _, ok := d.control(Setup{0xa1, 64, 0, 0, 1}, nil); ok {
		t.Error("an indicator was pulsed, which the capabilities do not offer")
	}
}
