package usbip

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// Messages on the bulk endpoints of USBTMC 1.0 (14 April 2003), section 3.2 and
// tables 1 to 4, 8 and 9.
const (
	bulkHeaderSize = 12

	msgData    = 1 // DEV_DEP_MSG_OUT
	msgRequest = 2 // REQUEST_DEV_DEP_MSG_IN, and DEV_DEP_MSG_IN that serves it

	attrEnd = 1 << 0 // EOM
)

// ErrBulkOut is wrapped by every error about a transfer.
var ErrBulkOut = errors.New("not a USBTMC Bulk-OUT transfer")

// BulkOut is one transfer of the host: data for the instrument, or a request
// for data of it.
type BulkOut struct {
	Tag     byte // 1 to 255; a reply repeats it
	Request bool
	Size    int    // of a request: how many bytes it wants at most
	Data    []byte // else
	End     bool   // the message ends with Data
}

// BulkIn serves a request.
type BulkIn struct {
	Tag  byte
	Data []byte
	End  bool
}

// DecodeBulkOut reads a transfer. It refuses what an instrument without special
// capabilities must: vendors' messages, triggers and termination characters;
// and padding of the wrong length.
func DecodeBulkOut(b []byte) (BulkOut, error) {
	m, err := decodeBulkOut(b)
	if err != nil {
		return BulkOut{}, fmt.Errorf("%w: %w", ErrBulkOut, err)
	}
	return m, nil
}

func decodeBulkOut(b []byte) (BulkOut, error) {
	if len(b) < bulkHeaderSize {
		return BulkOut{}, fmt.Errorf("%d bytes", len(b))
	}
	kind, tag, inverse, attributes := b[0], b[1], b[2], b[8]
	size := binary.LittleEndian.Uint32(b[4:])
	switch {
	case tag == 0 || inverse != ^tag:
		return BulkOut{}, fmt.Errorf("tag %#02x with inverse %#02x", tag, inverse)
	case size == 0 || size > maxTransfer:
		return BulkOut{}, fmt.Errorf("transfer size %d", size)
	case b[3]|b[10]|b[11] != 0:
		return BulkOut{}, fmt.Errorf("reserved bytes in % x", b[:bulkHeaderSize])
	case kind == msgData && attributes&^attrEnd == 0 && b[9] == 0:
		return decodeData(b, BulkOut{Tag: tag, End: attributes == attrEnd}, int(size))
	case kind == msgRequest && attributes == 0 && len(b) == bulkHeaderSize: // b[9], the termination character, is not enabled
		return BulkOut{Tag: tag, Request: true, Size: int(size)}, nil
	}
	return BulkOut{}, fmt.Errorf("message %d of %d bytes with attributes %#02x", kind, len(b), attributes)
}

// decodeData cuts the padding off, which makes the transfer a multiple of four.
func decodeData(b []byte, m BulkOut, size int) (BulkOut, error) {
	if want := bulkHeaderSize + padded(size); len(b) != want {
		return BulkOut{}, fmt.Errorf("%d bytes, want %d for %d of data", len(b), want, size)
	}
	m.Data = b[bulkHeaderSize : bulkHeaderSize+size]
	return m, nil
}

func padded(n int) int { return (n + 3) &^ 3 }

// AppendTo appends the transfer with its padding.
func (m BulkOut) AppendTo(b []byte) []byte {
	if m.Request {
		return appendBulkHeader(b, msgRequest, m.Tag, m.Size, false)
	}
	b = appendBulkHeader(b, msgData, m.Tag, len(m.Data), m.End)
	b = append(b, m.Data...)
	return append(b, make([]byte, padded(len(m.Data))-len(m.Data))...)
}

// AppendTo appends the transfer, which needs no padding.
func (m BulkIn) AppendTo(b []byte) []byte {
	return append(appendBulkHeader(b, msgRequest, m.Tag, len(m.Data), m.End), m.Data...)
}

func appendBulkHeader(b []byte, kind, tag byte, size int, end bool) []byte {
	b = append(b, kind, tag, ^tag, 0)
	b = binary.LittleEndian.AppendUint32(b, uint32(size))
	attributes := byte(0)
	if end {
		attributes = attrEnd
	}
	return append(b, attributes, 0, 0, 0)
}
