package trace_test

import (
	"bytes"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/trace"
)

func TestFrame(t *testing.T) {
	want := []trace.Piece{{1, 1, []byte("one")}, {300, 7, []byte{}}, {2, 1 << 40, bytes.Repeat([]byte{9}, 200)}}
	var frame []byte
	var ends []int
	for _, p := range want {
		frame = trace.AppendPiece(frame, p)
		ends = append(ends, len(frame))
	}
	got, err := trace.ParseFrame(frame)
	if d := cmp.Diff(want, got); err != nil || d != "" {
		t.Error(err, d)
	}
	got, err = trace.ParseFrame(frame[:ends[1]+50])
	if d := cmp.Diff(want[:2], got); !errors.Is(err, trace.ErrDamaged) || d != "" {
		t.Errorf("%v: want the whole pieces and ErrDamaged: %s", err, d)
	}
}

func FuzzParseFrame(f *testing.F) {
	f.Add(trace.AppendPiece(nil, trace.Piece{Channel: 1, Stretch: 2, Data: []byte("data")}))
	f.Add([]byte{1, 1, 200})
	f.Fuzz(func(t *testing.T, b []byte) {
		pieces, err := trace.ParseFrame(b)
		var again []byte
		for _, p := range pieces {
			again = trace.AppendPiece(again, p)
		}
		// Numbers may be written longer than they need be, so the second reading
		// is what must agree.
		back, failed := trace.ParseFrame(again)
		if d := cmp.Diff(pieces, back); failed != nil || d != "" {
			t.Fatal(failed, d, err)
		}
	})
}
