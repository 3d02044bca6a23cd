package usbip

import (
	"bytes"
	"errors"
	"io"
	"net"
	"testing"
)

// kernel is the other end of an emulator's stream.
type kernel struct {
	t    *testing.T
	conn net.Conn
	emu  *Emulator
	done chan error
}

func startKernel(t *testing.T, d Device) *kernel {
	t.Helper()
	ours, theirs := net.Pipe()
	k := &kernel{t, theirs, NewEmulator(d), make(chan error, 1)}
	go func() { k.done <- k.emu.Serve(ours) }()
	t.Cleanup(func() { _ = theirs.Close() })
	return k
}

func (k *kernel) send(b []byte) {
	k.t.Helper()
	if _, err := k.conn.Write(b); err != nil {
		k.t.Fatal(err)
	}
}

// expect reads exactly want.
func (k *kernel) expect(want []byte) {
	k.t.Helper()
	got := make([]byte, len(want))
	if _, err := io.ReadFull(k.conn, got); err != nil {
		k.t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		k.t.Fatalf("got\n% x, want\n% x", got, want)
	}
}

func (k *kernel) finish() error {
	if err := k.conn.Close(); err != nil {
		return err
	}
	return <-k.done
}

func getConfig(seq uint32, length int) Submit {
	return Submit{Seq: seq, In: true, Length: length, Packets: -1, Setup: [8]byte{0x80, 6, 0, 2, 0, 0, byte(length), 0}}
}

func TestConversation(t *testing.T) {
	k := startKernel(t, handset())
	config := handset().configDescriptor()

	k.send(getConfig(1, 9).AppendTo(nil)) // the kernel asks for the head first
	k.expect(append(SubmitReply{Seq: 1, Actual: 9}.AppendTo(nil), config[:9]...))
	k.send(getConfig(2, 255).AppendTo(nil))
	k.expect(append(SubmitReply{Seq: 2, Actual: 32}.AppendTo(nil), config...))
	k.send(Submit{Seq: 3, Setup: [8]byte{0, 9, 1}}.AppendTo(nil))
	k.expect(SubmitReply{Seq: 3}.AppendTo(nil))
	k.send(Submit{Seq: 4, In: true, Length: 10, Setup: [8]byte{0x80, 6, 0, 6}}.AppendTo(nil))
	k.expect(SubmitReply{Seq: 4, Status: -epipe}.AppendTo(nil))

	k.send(append(Submit{Seq: 5, Endpoint: 1, Length: 4}.AppendTo(nil), "data"...))
	k.expect(SubmitReply{Seq: 5, Actual: 4}.AppendTo(nil))
	k.send(Submit{Seq: 6, Endpoint: 1, In: true, Length: 3}.AppendTo(nil))
	k.expect(append(SubmitReply{Seq: 6, Actual: 3}.AppendTo(nil), 0, 0, 0))
	k.send(Submit{Seq: 7, Endpoint: 2, In: true, Length: 3}.AppendTo(nil))
	k.expect(SubmitReply{Seq: 7, Status: -epipe}.AppendTo(nil))

	if err := k.finish(); err != nil {
		t.Errorf("end of stream: %v", err)
	}
	if n := k.emu.Submits(); n != 7 {
		t.Errorf("%d submits counted, want 7", n)
	}
}

// A mute device answers other requests while one hangs, and the hung one can
// be taken back once.
func TestMuteAndUnlink(t *testing.T) {
	d := handset()
	d.Mute = MuteConfiguration
	k := startKernel(t, d)

	k.send(getConfig(1, 9).AppendTo(nil))
	k.send(Submit{Seq: 2, In: true, Length: 2, Setup: [8]byte{0x80, 0, 0, 0, 0, 0, 2}}.AppendTo(nil))
	k.expect(append(SubmitReply{Seq: 2, Actual: 2}.AppendTo(nil), 1, 0))
	k.send(Unlink{Seq: 3, Victim: 1}.AppendTo(nil))
	k.expect(UnlinkReply{Seq: 3, Status: -econnreset}.AppendTo(nil))
	k.send(Unlink{Seq: 4, Victim: 1}.AppendTo(nil))
	k.expect(UnlinkReply{Seq: 4}.AppendTo(nil))
	k.send(Unlink{Seq: 5, Victim: 2}.AppendTo(nil)) // answered long ago
	k.expect(UnlinkReply{Seq: 5}.AppendTo(nil))

	if err := k.finish(); err != nil {
		t.Errorf("end of stream: %v", err)
	}
}

func TestServeEndsOnForeignBytes(t *testing.T) {
	for _, tc := range []struct {
		name string
		send []byte
		want error
	}{
		{"foreign", bytes.Repeat([]byte{0xaa}, HeaderSize), ErrHeader},
		{"torn header", []byte{0, 0, 0, 1}, io.ErrUnexpectedEOF},
	} {
		t.Run(tc.name, func(t *testing.T) {
			k := startKernel(t, handset())
			k.send(tc.send)
			if err := k.finish(); !errors.Is(err, tc.want) {
				t.Errorf("got %v, want %v", err, tc.want)
			}
		})
	}
	t.Run("torn data", func(t *testing.T) {
		k := startKernel(t, handset())
		k.send(append(Submit{Seq: 1, Endpoint: 1, Length: 8}.AppendTo(nil), "half"...))
		if err := k.finish(); !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("got %v, want a torn stream", err)
		}
	})
}
