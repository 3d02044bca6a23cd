package trace

import (
	"encoding/binary"
	"fmt"
)

// Piece is a block within a frame, with the numbers of its channel and of its
// stretch of time.
type Piece struct {
	Channel, Stretch int64
	Data             []byte
}

// mostNumber bounds the numbers of a piece.
const mostNumber = 1 << 62

// AppendPiece adds a piece to a frame: its channel, its stretch and its length as
// unsigned varints, then its data.
func AppendPiece(frame []byte, p Piece) []byte {
	frame = binary.AppendUvarint(frame, uint64(p.Channel))
	frame = binary.AppendUvarint(frame, uint64(p.Stretch))
	frame = binary.AppendUvarint(frame, uint64(len(p.Data)))
	return append(frame, p.Data...)
}

// ParseFrame splits a frame. Where it is damaged it returns the pieces before, with
// ErrDamaged. The data share the frame's memory and are not looked at.
func ParseFrame(frame []byte) (pieces []Piece, err error) {
	h := head{in: frame}
	for len(h.in) > 0 {
		channel, stretch, length := h.uvarint(), h.uvarint(), h.uvarint()
		if h.bad || channel > mostNumber || stretch > mostNumber || length > uint64(len(h.in)) {
			return pieces, fmt.Errorf("%w: frame cut off after %d pieces", ErrDamaged, len(pieces))
		}
		pieces = append(pieces, Piece{int64(channel), int64(stretch), h.in[:length:length]})
		h.in = h.in[length:]
	}
	return pieces, nil
}
