package usbip

import (
	"bytes"
	"encoding/binary"
	"sync/atomic"
)

// Serial is a serial line over USB, of the communications class: the kernel's
// cdc-acm makes a /dev/ttyACM of it. Behind it is an instrument that answers
// lines.
type Serial struct {
	answer func(line string) string
	line   []byte // so far
	said   []byte // answers that the host has not fetched
	baud   atomic.Uint32
	coding []byte // as the host set it
}

// NewSerial makes a line whose instrument answers each line as answer says;
// the empty string is no answer. Lines have no terminator: a CR or LF ends one,
// and an LF is put behind an answer.
func NewSerial(answer func(line string) string) *Serial {
	return &Serial{answer: answer, coding: make([]byte, codingSize)}
}

// Baud is what the host has set the line to, 0 before it has. It may be called
// at any time.
func (s *Serial) Baud() int { return int(s.baud.Load()) }

// Endpoints of a serial line.
const (
	serialNotify = 1 // interrupt IN
	serialData   = 2 // bulk
)

// Class requests (PSTN120 table 13, from memory).
const (
	reqSetLineCoding       = 0x20
	reqGetLineCoding       = 0x21
	reqSetControlLineState = 0x22
)

// codingSize is the length of a line coding: baud, stop bits, parity, data bits
// (PSTN120 table 17, from memory).
const codingSize = 7

// Miscellaneous, with interface association: two interfaces are one function.
func (*Serial) class() []byte { return []byte{0xef, 2, 1} }

// interfaces are a control and a data interface, with the functional
// descriptors that say how they belong together (CDC120 section 5.2.3, PSTN120
// section 5.3, from memory).
func (*Serial) interfaces() []byte {
	const ofInterface, lineState = 0x24, 0x02
	b := []byte{8, 11, 0, 2, 2, 2, 0, 0} // interfaces 0 and 1 are one function
	b = append(b, 9, descInterface, 0, 0, 1, 2, 2, 0, 0)
	b = append(b, 5, ofInterface, 0, 0x20, 0x01) // CDC 1.20
	b = append(b, 5, ofInterface, 1, 0, 1)       // no calls
	b = append(b, 4, ofInterface, 2, lineState)  // takes line coding and state
	b = append(b, 5, ofInterface, 6, 0, 1)       // 0 controls 1
	b = append(b, endpoint(serialNotify|dirIn, interrupt, 16, 9)...)
	b = append(b, 9, descInterface, 1, 0, 2, 10, 0, 0, 0)
	return append(b, bulkPair(serialData)...)
}

func (s *Serial) reset() {
	s.line, s.said, s.coding = nil, nil, make([]byte, codingSize)
	s.baud.Store(0)
}

func (s *Serial) control(r Setup, out []byte) (in []byte, ok bool) {
	switch {
	case r.Request == reqSetLineCoding && len(out) == codingSize:
		s.coding = bytes.Clone(out)
		s.baud.Store(binary.LittleEndian.Uint32(out))
		return nil, true
	case r.Request == reqGetLineCoding:
		return s.coding, true
	case r.Request == reqSetControlLineState:
		return nil, true
	}
	return nil, false
}

func (s *Serial) out(_ int, data []byte) bool {
	for _, c := range data {
		if c != '\n' && c != '\r' {
			s.line = append(s.line, c)
			continue
		}
		if len(s.line) > 0 {
			s.say(s.answer(string(s.line)))
		}
		s.line = nil
	}
	return true
}

func (s *Serial) say(answer string) {
	if answer != "" {
		s.said = append(append(s.said, answer...), '\n')
	}
}

// in never has a notification: nothing changes on this line.
func (s *Serial) in(endpoint, max int) ([]byte, bool) {
	if endpoint != serialData || len(s.said) == 0 {
		return nil, false
	}
	n := min(max, len(s.said))
	data := s.said[:n]
	s.said = s.said[n:]
	return data, true
}
