package recording

import (
	"encoding/json"
	"fmt"
	"io"

	"benchvigil/internal/bench"
)

// Writer writes observations as lines. It does not buffer.
type Writer struct {
	w   io.Writer
	buf []byte
}

// NewWriter returns a Writer that begins with the header.
func NewWriter(w io.Writer, h Header) (*Writer, error) {
	b, err := EncodeHeader(h)
	if err != nil {
		return nil, err
	}
	if _, err := w.Write(append(b, '\n')); err != nil {
		return nil, fmt.Errorf("write recording header: %w", err)
	}
	return &Writer{w: w}, nil
}

// EncodeHeader makes a header line, without its end.
func EncodeHeader(h Header) ([]byte, error) {
	h.Recording = Version
	b, err := json.Marshal(h)
	if err != nil {
		return nil, fmt.Errorf("encode recording header: %w", err)
	}
	return b, nil
}

// Write adds one observation as one line.
func (w *Writer) Write(o bench.Observation) error {
	b, err := Encode(o)
	if err != nil {
		return err
	}
	w.buf = append(append(w.buf[:0], b...), '\n')
	if _, err := w.w.Write(w.buf); err != nil {
		return fmt.Errorf("write recording: %w", err)
	}
	return nil
}

// Encode makes one line, without its end, of an observation.
func Encode(o bench.Observation) ([]byte, error) {
	l := line{At: o.At.UTC().Format(bench.TimeFormat), Station: o.Station}
	switch f := o.Fact.(type) {
	case bench.Power:
		p := power(f)
		l.Power = &p
	case bench.Temperature:
		l.Temperature = &temperature{&f.Celsius}
	case bench.USB:
		l.USB = encodeUSB(f)
	case bench.Traffic:
		l.Traffic = &traffic{f.URBs}
	case bench.Mark:
		l.Mark = &mark{By: f.By, Kind: f.Kind, Text: f.Text, ForSecs: f.For.Seconds()}
	case bench.Supply:
		s := supplyNews(f)
		l.Supply = &s
	case bench.USBSource:
		s := sight(f)
		l.USBSource = &s
	case bench.Clock:
		l.Clock = encodeClock(f)
	default:
		return nil, fmt.Errorf("encode observation of station %q: no fact in it", o.Station)
	}
	b, err := json.Marshal(l)
	if err != nil {
		return nil, fmt.Errorf("encode observation of station %q: %w", o.Station, err)
	}
	return b, nil
}

func encodeUSB(f bench.USB) *usb {
	u := &usb{Change: f.Change, Port: f.Port, Serial: f.Serial}
	if f.Change == bench.USBAdd {
		u.Vendor, u.Product = encodeID(f.ID)
		u.Number = f.Number
	}
	return u
}

func encodeClock(f bench.Clock) *clockNews {
	switch {
	case f.End:
		return &clockNews{Change: clockEnd}
	case f.Gap > 0:
		return &clockNews{Change: clockGap, ForSecs: f.Gap.Seconds(), Rebooted: f.Rebooted}
	}
	return &clockNews{Change: clockJump, BySecs: f.Jump.Seconds()}
}
