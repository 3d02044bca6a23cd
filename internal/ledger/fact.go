package ledger

import (
	"encoding/json"
	"fmt"
	"hash/crc32"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// The stored forms are JSON of these. Converting between them and the
// vocabulary does not compile when a field is missing here.
type (
	eventData struct {
		Kind    string                    `json:"kind,omitempty"`
		From    bench.Mode                `json:"from,omitempty"`
		To      bench.Mode                `json:"to,omitempty"`
		Mode    bench.Mode                `json:"mode,omitempty"`
		Uptime  unit.Maybe[time.Duration] `json:"uptime_ns,omitzero"`
		Window  unit.Maybe[time.Duration] `json:"window_ns,omitzero"`
		Assumed bool                      `json:"assumed,omitempty"`
		Ended   *bench.Stay               `json:"ended,omitempty"`
		By      string                    `json:"by,omitempty"`
		Goal    string                    `json:"goal,omitempty"`
		Alert   *bench.AlertView          `json:"alert,omitempty"`
		Why     []string                  `json:"why,omitempty"`
	}
	usbData struct {
		Change bench.USBChange `json:"change"`
		Port   string          `json:"port,omitempty"`
		ID     bench.USBID     `json:"id,omitzero"`
		Serial string          `json:"serial,omitempty"`
		Number int             `json:"number,omitempty"`
	}
	markData struct {
		By   string        `json:"by,omitempty"`
		Kind string        `json:"kind"`
		Text string        `json:"text,omitempty"`
		For  time.Duration `json:"for_ns,omitempty"`
	}
	supplyData struct {
		Change  bench.Sight `json:"change"`
		Error   string      `json:"error,omitempty"`
		Channel string      `json:"channel,omitempty"`
	}
	sourceData struct {
		Change bench.Sight `json:"change"`
		Error  string      `json:"error,omitempty"`
	}
	clockData struct {
		Jump     time.Duration `json:"jump_ns,omitempty"`
		End      bool          `json:"end,omitempty"`
		Gap      time.Duration `json:"gap_ns,omitempty"`
		Rebooted bool          `json:"rebooted,omitempty"`
	}
)

// The kinds of facts that are no points of a trace.
const (
	kindUSB    = "usb"
	kindMark   = "mark"
	kindSupply = "supply"
	kindSource = "usb_source"
	kindClock  = "clock"
)

// encodeFact gives a fact's kind and JSON; "" for one that is none of these.
func encodeFact(f bench.Fact) (kind string, data []byte, err error) {
	switch f := f.(type) {
	case bench.USB:
		return encodeAs(kindUSB, usbData(f))
	case bench.Mark:
		return encodeAs(kindMark, markData(f))
	case bench.Supply:
		return encodeAs(kindSupply, supplyData(f))
	case bench.USBSource:
		return encodeAs(kindSource, sourceData(f))
	case bench.Clock:
		return encodeAs(kindClock, clockData(f))
	}
	return "", nil, fmt.Errorf("keep a fact: %T is none that is known", f)
}

func encodeAs(kind string, v any) (string, []byte, error) {
	data, err := json.Marshal(v)
	return kind, data, err
}

// decodeFact is the way back.
func decodeFact(kind string, data []byte) (bench.Fact, error) {
	switch kind {
	case kindUSB:
		return decodeAs(data, func(d usbData) bench.Fact { return bench.USB(d) })
	case kindMark:
		return decodeAs(data, func(d markData) bench.Fact { return bench.Mark(d) })
	case kindSupply:
		return decodeAs(data, func(d supplyData) bench.Fact { return bench.Supply(d) })
	case kindSource:
		return decodeAs(data, func(d sourceData) bench.Fact { return bench.USBSource(d) })
	case kindClock:
		return decodeAs(data, func(d clockData) bench.Fact { return bench.Clock(d) })
	}
	return nil, fmt.Errorf("%w: %q is no kind of fact", ErrDamaged, kind)
}

func decodeAs[D any](data []byte, of func(D) bench.Fact) (bench.Fact, error) {
	var d D
	if err := json.Unmarshal(data, &d); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return of(d), nil
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// sum is the checksum of a row: CRC-32C of its columns as text, each followed
// by a zero byte.
func sum(columns ...any) int64 {
	var b []byte
	for _, c := range columns {
		if raw, ok := c.([]byte); ok {
			b = append(append(b, raw...), 0)
			continue
		}
		b = append(fmt.Append(b, c), 0)
	}
	return int64(crc32.Checksum(b, castagnoli))
}
