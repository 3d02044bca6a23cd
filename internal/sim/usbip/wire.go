package usbip

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// HeaderSize is the length in bytes of each of the four URB headers.
const HeaderSize = 48

// Command codes, the first word of a header.
const (
	cmdSubmit = 1
	cmdUnlink = 2
	retSubmit = 3
	retUnlink = 4
)

// Limits of what a header may ask for. The kernel never asks for more than a
// usbfs transfer, and USB has sixteen endpoint numbers.
const (
	maxTransfer = 16 << 20 // bytes
	maxEndpoint = 15
)

// noPackets says, like zero, that a transfer is not isochronous.
const noPackets = -1

// ErrHeader is wrapped by every error about a header.
var ErrHeader = errors.New("not a USB/IP header")

// Command is what the kernel sends: a Submit or an Unlink.
type Command interface{ command() }

// Submit asks for one transfer. An OUT transfer's data follows the header.
type Submit struct {
	Seq        uint32 // names the transfer in replies
	DevID      uint32 // bus number << 16 | device number
	In         bool   // the device answers with data
	Endpoint   int    // 0 to 15; 0 is control
	Flags      uint32 // transfer_flags of the URB
	Length     int    // bytes to send, or the most to answer
	StartFrame int32
	Packets    int32 // 0 or -1: isochronous transfers are refused
	Interval   int32
	Setup      [8]byte // of a control transfer
}

// Unlink takes a Submit back.
type Unlink struct {
	Seq    uint32 // names this command
	DevID  uint32
	Victim uint32 // Seq of the Submit
}

func (Submit) command() {}
func (Unlink) command() {}

// SubmitReply ends a transfer. An IN transfer's data follows the header.
type SubmitReply struct {
	Seq        uint32
	Status     int32 // 0, or a negative errno
	Actual     int   // bytes moved
	StartFrame int32
	Packets    int32
	Errors     int32
}

// UnlinkReply answers an Unlink: -ECONNRESET when the transfer was taken back,
// 0 when it had already ended.
type UnlinkReply struct {
	Seq    uint32
	Status int32
}

// DecodeCommand reads a command's header. It refuses what this emulator cannot
// serve: isochronous transfers and lengths beyond a usbfs transfer.
func DecodeCommand(h []byte) (Command, error) {
	if len(h) != HeaderSize {
		return nil, fmt.Errorf("%w: %d bytes, want %d", ErrHeader, len(h), HeaderSize)
	}
	w := words(h)
	switch w(0) {
	case cmdSubmit:
		return decodeSubmit(h)
	case cmdUnlink:
		return Unlink{Seq: w(1), DevID: w(2), Victim: w(5)}, nil
	}
	return nil, fmt.Errorf("%w: command %d", ErrHeader, w(0))
}

func decodeSubmit(h []byte) (Command, error) {
	w := words(h)
	if w(3) > 1 || w(4) > maxEndpoint || w(6) > maxTransfer {
		return nil, fmt.Errorf("%w: submit with direction %d, endpoint %d, length %d", ErrHeader, w(3), w(4), w(6))
	}
	c := Submit{
		Seq: w(1), DevID: w(2), In: w(3) == 1, Endpoint: int(w(4)),
		Flags: w(5), Length: int(w(6)), StartFrame: int32(w(7)), Packets: int32(w(8)), Interval: int32(w(9)),
		Setup: [8]byte(h[40:48]),
	}
	if c.Packets != 0 && c.Packets != noPackets {
		return nil, fmt.Errorf("%w: isochronous transfer of %d packets", ErrHeader, c.Packets)
	}
	return c, nil
}

// AppendTo appends the header.
func (c Submit) AppendTo(b []byte) []byte {
	var in uint32
	if c.In {
		in = 1
	}
	b = appendWords(b, cmdSubmit, c.Seq, c.DevID, in, uint32(c.Endpoint),
		c.Flags, uint32(c.Length), uint32(c.StartFrame), uint32(c.Packets), uint32(c.Interval))
	return append(b, c.Setup[:]...)
}

// AppendTo appends the header.
func (c Unlink) AppendTo(b []byte) []byte {
	return appendWords(b, cmdUnlink, c.Seq, c.DevID, 0, 0, c.Victim, 0, 0, 0, 0, 0, 0)
}

// AppendTo appends the header.
func (r SubmitReply) AppendTo(b []byte) []byte {
	return appendWords(b, retSubmit, r.Seq, 0, 0, 0,
		uint32(r.Status), uint32(r.Actual), uint32(r.StartFrame), uint32(r.Packets), uint32(r.Errors), 0, 0)
}

// AppendTo appends the header.
func (r UnlinkReply) AppendTo(b []byte) []byte {
	return appendWords(b, retUnlink, r.Seq, 0, 0, 0, uint32(r.Status), 0, 0, 0, 0, 0, 0)
}

// words gives the n-th big-endian word of a header.
func words(h []byte) func(n int) uint32 {
	return func(n int) uint32 { return binary.BigEndian.Uint32(h[4*n:]) }
}

func appendWords(b []byte, ws ...uint32) []byte {
	for _, w := range ws {
		b = binary.BigEndian.AppendUint32(b, w)
	}
	return b
}
