package usbip

import (
	"errors"
	"fmt"
	"io"
	"slices"
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
	s := session{Emulator: e, stream: stream}
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

// session is one stream and the transfers on it that wait for an answer, in
// their order. One goroutine owns it.
type session struct {
	*Emulator
	stream  io.ReadWriter
	waiting []Submit
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
	data, err := s.data(c)
	if err != nil {
		return err
	}
	if err := s.answer(c, data); err != nil || c.In {
		return err
	}
	return s.retry()
}

// data reads what the host sends with an OUT transfer.
func (s *session) data(c Submit) ([]byte, error) {
	if c.In {
		return nil, nil
	}
	data := make([]byte, c.Length)
	if n, err := io.ReadFull(s.stream, data); err != nil {
		return nil, fmt.Errorf("%d of %d bytes of transfer %d: %w", n, c.Length, c.Seq, torn(err))
	}
	return data, nil
}

// answer replies to a transfer, or has it wait.
func (s *session) answer(c Submit, data []byte) error {
	if s.mutes(c) {
		s.waiting = append(s.waiting, c)
		return nil
	}
	reply, ready := s.device.answer(c, data)
	if !ready {
		s.waiting = append(s.waiting, c)
		return nil
	}
	_, err := s.stream.Write(reply)
	return err
}

// retry tries again what waits: the host has said something since.
func (s *session) retry() error {
	again := s.waiting
	s.waiting = nil
	for _, c := range again {
		if err := s.answer(c, nil); err != nil {
			return err
		}
	}
	return nil
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

// unlink takes back a transfer that waits; any other has been answered.
func (s *session) unlink(c Unlink) error {
	r := UnlinkReply{Seq: c.Seq}
	i := slices.IndexFunc(s.waiting, func(w Submit) bool { return w.Seq == c.Victim })
	if i >= 0 {
		s.waiting = slices.Delete(s.waiting, i, i+1)
		r.Status = -econnreset
	}
	_, err := s.stream.Write(r.AppendTo(nil))
	return err
}

// answer is the whole reply to a transfer, or not ready. Its number of packets
// is zero, as in the protocol document's example: a kernel copies it into the
// URB, where zero is what a transfer that is not isochronous has.
func (d Device) answer(c Submit, out []byte) (reply []byte, ready bool) {
	var in []byte
	ok := true
	switch {
	case c.Endpoint == 0:
		in, ok = d.control(ParseSetup(c.Setup), out)
	case !d.has(c.Endpoint, c.In):
		ok = false
	case !c.In:
		ok = d.function().out(c.Endpoint, out)
	default:
		if in, ready = d.function().in(c.Endpoint, c.Length); !ready {
			return nil, false
		}
	}
	switch {
	case !ok:
		return SubmitReply{Seq: c.Seq, Status: -epipe}.AppendTo(nil), true
	case !c.In:
		return SubmitReply{Seq: c.Seq, Actual: c.Length}.AppendTo(nil), true
	}
	in = in[:min(len(in), c.Length)]
	return append(SubmitReply{Seq: c.Seq, Actual: len(in)}.AppendTo(nil), in...), true
}
