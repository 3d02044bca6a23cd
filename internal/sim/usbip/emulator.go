package usbip

import (
	"errors"
	"fmt"
	"io"
	"sync/atomic"
)

// Errno values that the kernel expects in a reply, as on Linux.
const (
	epipe      = 32  // the endpoint stalled
	econnreset = 104 // the transfer was taken back
)

// Emulator speaks for one device on one stream.
type Emulator struct {
	device  Device
	submits atomic.Uint64
}

// NewEmulator returns an emulator of d.
func NewEmulator(d Device) *Emulator { return &Emulator{device: d} }

// Submits is how many transfers the kernel has asked of the device so far: the
// device's own count, to hold against the kernel's urbnum.
func (e *Emulator) Submits() uint64 { return e.submits.Load() }

// Serve answers the kernel's commands in their order until the stream ends,
// which is no error. It must be called once.
func (e *Emulator) Serve(stream io.ReadWriter) error {
	s := session{e, stream, map[uint32]bool{}}
	for {
		err := s.step()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("serve %v: %w", e.device.ID, err)
		}
	}
}

// session is one stream and the transfers on it that stay unanswered. One
// goroutine owns it.
type session struct {
	*Emulator
	stream io.ReadWriter
	muted  map[uint32]bool
}

// step serves one command.
func (s *session) step() error {
	var h [HeaderSize]byte
	if _, err := io.ReadFull(s.stream, h[:]); err != nil {
		return err
	}
	c, err := DecodeCommand(h[:])
	if err != nil {
		return err
	}
	switch c := c.(type) {
	case Submit:
		return s.submit(c)
	case Unlink:
		return s.unlink(c)
	}
	return nil
}

func (s *session) submit(c Submit) error {
	s.submits.Add(1)
	if !c.In {
		if n, err := io.CopyN(io.Discard, s.stream, int64(c.Length)); err != nil {
			return fmt.Errorf("%d of %d bytes of transfer %d: %w", n, c.Length, c.Seq, torn(err))
		}
	}
	if s.mutes(c) {
		s.muted[c.Seq] = true
		return nil
	}
	_, err := s.stream.Write(s.device.answer(c))
	return err
}

// torn turns the end of the stream inside a message into an error.
func torn(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}

func (s *session) mutes(c Submit) bool {
	return c.Endpoint == 0 && s.device.Mute != nil && s.device.Mute(ParseSetup(c.Setup))
}

// unlink takes back an unanswered transfer; any other has been answered.
func (s *session) unlink(c Unlink) error {
	r := UnlinkReply{Seq: c.Seq}
	if s.muted[c.Victim] {
		delete(s.muted, c.Victim)
		r.Status = -econnreset
	}
	_, err := s.stream.Write(r.AppendTo(nil))
	return err
}

// answer is the whole reply to a transfer. Its number of packets is zero, as
// in the protocol document's example: a kernel copies it into the URB, where
// zero is what a transfer that is not isochronous has.
func (d Device) answer(c Submit) []byte {
	r := SubmitReply{Seq: c.Seq, Actual: c.Length}
	var data []byte
	switch {
	case c.Endpoint == 0:
		in, ok := d.control(ParseSetup(c.Setup))
		if !ok {
			return SubmitReply{Seq: c.Seq, Status: -epipe}.AppendTo(nil)
		}
		data = in[:min(len(in), c.Length)]
	case c.Endpoint > 1:
		return SubmitReply{Seq: c.Seq, Status: -epipe}.AppendTo(nil)
	case c.In:
		data = make([]byte, c.Length)
	}
	if !c.In {
		return r.AppendTo(nil)
	}
	r.Actual = len(data)
	return append(r.AppendTo(nil), data...)
}
