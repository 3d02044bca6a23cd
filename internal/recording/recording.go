// Package recording owns the recording format: JSON Lines, one observation a
// line, optionally zstd-compressed, exactly what infer was given, so that a
// replay gives the same events. It reads, writes and replays; it decides
// nothing about what the observations mean.
//
// The optional first line is a header:
//
//	{"recording":1,"bench":"north","stations":{"s1":{"power":"supply","vbus":false,"usb":true}}}
//
// Another header further on says how stations are wired that begin after it; a
// station that goes on after its "clock" said "end" begins anew, unless the next
// that is said of it is a gap: then the same watch was taken up again.
//
// Every other line has "at" (RFC 3339, read to the millisecond), "station" and
// one of:
//
//	"power":      {"volts":3.801,"amps":0.412,"set_volts":3.8,"limit_amps":2,"output":true,"channel":"main"}   main, vbus
//	"temperature": {"celsius":31.25}                                                             beside the board; no conclusion is drawn from it
//	"usb":        {"change":"add","port":"1-2","vendor":"1209","product":"0003","serial":"X1"}   add, remove, details; with add also "number", the kernel's of this enumeration
//	"traffic":    {"urbs":18231}
//	"mark":       {"by":"kim","kind":"stop","text":"switched off to reseat"}                    kinds: bench.MarkKinds; "for_s" with hands-on; "text" of arm is a goal
//	"supply":     {"change":"lost","error":"connection refused","channel":"vbus"}                 lost, back, error; channel as above, or thermometer
//	"usb_source": {"change":"lost","error":"no such directory"}                                  lost, back, error
//	"clock":      {"change":"jump","by_s":-3600}  or  {"change":"end"}                           no by_s: by an unknown amount, with a warning
//	              {"change":"gap","for_s":12.5,"rebooted":true}                                  nobody watched for so long before; rebooted: device numbers of before mean nothing
//
// A quantity that is absent or null is unknown. Fields that this version does
// not know are passed over with a warning; a value that cannot be read, or that
// it does not know, is an error that names file, line and field. What can be
// read and looks like a mistake is warned of (doubts.go).
package recording

import (
	"errors"
	"fmt"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Version is the format version written into headers.
const Version = 1

// maxLine bounds a line; real ones are below a kilobyte.
const maxLine = 1 << 20

// ErrUnreadable is wrapped by every error about the input itself.
var ErrUnreadable = errors.New("unreadable recording")

// Header is the optional first line.
type Header struct {
	Recording int                 `json:"recording"`
	Bench     string              `json:"bench,omitempty"`
	Stations  map[string]Stations `json:"stations,omitempty"`
}

// Stations says in a header how one station is wired. USB left out means that
// a port is watched if the recording says anything about one.
type Stations struct {
	Power bench.PowerPath `json:"power,omitempty"`
	VBUS  bool            `json:"vbus,omitempty"`
	USB   *bool           `json:"usb,omitempty"`
}

// Describe makes a header entry of a station's wiring.
func Describe(h bench.Hookup) Stations {
	return Stations{Power: h.Path, VBUS: h.VBUS, USB: &h.USB}
}

// line is the wire form of one observation. Pointers tell absent from empty.
type line struct {
	At          string       `json:"at"`
	Station     string       `json:"station"`
	Power       *power       `json:"power,omitempty"`
	Temperature *temperature `json:"temperature,omitempty"`
	USB         *usb         `json:"usb,omitempty"`
	Traffic     *traffic     `json:"traffic,omitempty"`
	Mark        *mark        `json:"mark,omitempty"`
	Supply      *supplyNews  `json:"supply,omitempty"`
	USBSource   *sight       `json:"usb_source,omitempty"`
	Clock       *clockNews   `json:"clock,omitempty"`
}

type power struct {
	Volts     unit.Maybe[unit.Voltage] `json:"volts,omitzero"`
	Amps      unit.Maybe[unit.Current] `json:"amps,omitzero"`
	SetVolts  unit.Maybe[unit.Voltage] `json:"set_volts,omitzero"`
	LimitAmps unit.Maybe[unit.Current] `json:"limit_amps,omitzero"`
	Output    unit.Maybe[bool]         `json:"output,omitzero"`
	Channel   string                   `json:"channel,omitempty"`
}

// temperature has a pointer to tell a missing value from zero degrees.
type temperature struct {
	Celsius *unit.Temperature `json:"celsius"`
}

type usb struct {
	Change  bench.USBChange `json:"change"`
	Port    string          `json:"port,omitempty"`
	Vendor  string          `json:"vendor,omitempty"`
	Product string          `json:"product,omitempty"`
	Serial  string          `json:"serial,omitempty"`
	Number  int             `json:"number,omitempty"`
}

type traffic struct {
	URBs uint64 `json:"urbs"`
}

type mark struct {
	By      string  `json:"by,omitempty"`
	Kind    string  `json:"kind"`
	Text    string  `json:"text,omitempty"`
	ForSecs float64 `json:"for_s,omitempty"`
}

type sight struct {
	Change bench.Sight `json:"change"`
	Error  string      `json:"error,omitempty"`
}

type supplyNews struct {
	Change  bench.Sight `json:"change"`
	Error   string      `json:"error,omitempty"`
	Channel string      `json:"channel,omitempty"`
}

type clockNews struct {
	Change   string  `json:"change"`
	BySecs   float64 `json:"by_s,omitempty"`
	ForSecs  float64 `json:"for_s,omitempty"`
	Rebooted bool    `json:"rebooted,omitempty"`
}

// The changes of a clock line.
const (
	clockJump = "jump"
	clockEnd  = "end"
	clockGap  = "gap"
)

func encodeID(id bench.USBID) (vendor, product string) {
	return fmt.Sprintf("%04x", id.Vendor), fmt.Sprintf("%04x", id.Product)
}
