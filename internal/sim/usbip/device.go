package usbip

import (
	"encoding/binary"
	"iter"
	"unicode/utf16"

	"benchvigil/internal/bench"
)

// Device describes an emulated USB 2.0 high-speed device with one
// configuration.
type Device struct {
	ID           bench.USBID
	Release      uint16 // bcdDevice, binary-coded decimal
	Manufacturer string
	Product      string
	Serial       string // "" for a device without a serial number

	// Function is what the device is for. Nil is a vendor's own class, which no
	// kernel driver binds to: a bulk sink at endpoint 1 OUT and a bulk source of
	// zeros at endpoint 1 IN. A Function serves one plug at a time.
	Function Function

	// Mute, where it reports true, leaves a control request unanswered for
	// ever, as a damaged board does. Nil answers everything.
	Mute func(Setup) bool
}

// Setup is the setup packet of a control transfer.
type Setup struct {
	RequestType uint8
	Request     uint8
	Value       uint16
	Index       uint16
	Length      uint16 // bytes
}

// Standard requests (USB 2.0 table 9-4) and descriptor types (table 9-5), from
// memory.
const (
	reqGetStatus        = 0
	reqClearFeature     = 1
	reqSetFeature       = 3
	reqSetAddress       = 5
	reqGetDescriptor    = 6
	reqGetConfiguration = 8
	reqSetConfiguration = 9
	reqGetInterface     = 10
	reqSetInterface     = 11

	descDevice    = 1
	descConfig    = 2
	descString    = 3
	descInterface = 4
	descEndpoint  = 5
)

// typeMask picks the kind of a request out of RequestType.
const (
	typeMask     = 0x60
	typeStandard = 0x00
	typeClass    = 0x20
)

// String indices in the device descriptor; 0 lists the languages.
const (
	stringManufacturer = 1 + iota
	stringProduct
	stringSerial
)

const englishUS = 0x0409

// ParseSetup reads a setup packet, which is little-endian unlike the header
// around it.
func ParseSetup(b [8]byte) Setup {
	le := binary.LittleEndian
	return Setup{b[0], b[1], le.Uint16(b[2:]), le.Uint16(b[4:]), le.Uint16(b[6:])}
}

// MuteConfiguration mutes a device's answer to GET_DESCRIPTOR(configuration):
// it says who it is and then hangs, so that the kernel's hub work waits for it
// about 21 seconds.
func MuteConfiguration(s Setup) bool {
	return s.Request == reqGetDescriptor && s.Value>>8 == descConfig
}

func (d Device) function() Function {
	if d.Function == nil {
		return vendor{}
	}
	return d.Function
}

// control treats a request, whose data from the host is out; in is for the
// host. ok is false for a request that the device refuses (a stall).
func (d Device) control(s Setup, out []byte) (in []byte, ok bool) {
	switch s.RequestType & typeMask {
	case typeStandard:
		return d.standard(s)
	case typeClass:
		return d.function().control(s, out)
	}
	return nil, false
}

func (d Device) standard(s Setup) (in []byte, ok bool) {
	switch s.Request {
	case reqGetDescriptor:
		return d.descriptor(s.Value>>8, s.Value&0xff)
	case reqGetStatus:
		return []byte{1, 0}, true // self-powered
	case reqGetConfiguration:
		return []byte{1}, true
	case reqGetInterface:
		return []byte{0}, true
	case reqSetConfiguration:
		d.function().reset()
		return nil, true
	case reqClearFeature, reqSetFeature, reqSetAddress, reqSetInterface:
		return nil, true
	}
	return nil, false
}

func (d Device) descriptor(kind, index uint16) ([]byte, bool) {
	switch {
	case kind == descDevice:
		return d.deviceDescriptor(), true
	case kind == descConfig && index == 0:
		return d.configDescriptor(), true
	case kind == descString:
		return d.stringDescriptor(index)
	}
	return nil, false // a full-speed qualifier, for one
}

func (d Device) deviceDescriptor() []byte {
	b := []byte{18, descDevice, 0x00, 0x02}
	b = append(append(b, d.function().class()...), 64)
	b = binary.LittleEndian.AppendUint16(b, d.ID.Vendor)
	b = binary.LittleEndian.AppendUint16(b, d.ID.Product)
	b = binary.LittleEndian.AppendUint16(b, d.Release)
	serial := byte(stringSerial)
	if d.Serial == "" {
		serial = 0
	}
	return append(b, stringManufacturer, stringProduct, serial, 1)
}

// configDescriptor is the whole configuration: 100 mA, self-powered, and what
// the function has.
func (d Device) configDescriptor() []byte {
	b := append([]byte{9, descConfig, 0, 0, 0, 1, 0, 0xc0, 50}, d.function().interfaces()...)
	b[2] = byte(len(b))
	for d := range descriptors(b) {
		if d[1] == descInterface {
			b[4]++
		}
	}
	return b
}

// has reports an endpoint in one direction.
func (d Device) has(endpoint int, in bool) bool {
	address := byte(endpoint)
	if in {
		address |= dirIn
	}
	for e := range descriptors(d.function().interfaces()) {
		if e[1] == descEndpoint && e[2] == address {
			return true
		}
	}
	return false
}

// descriptors walks over what stands one behind the other.
func descriptors(b []byte) iter.Seq[[]byte] {
	return func(yield func([]byte) bool) {
		for len(b) > 0 && yield(b[:b[0]]) {
			b = b[b[0]:]
		}
	}
}

func (d Device) stringDescriptor(index uint16) ([]byte, bool) {
	switch index {
	case 0:
		return []byte{4, descString, englishUS & 0xff, englishUS >> 8}, true
	case stringManufacturer:
		return encodeString(d.Manufacturer), true
	case stringProduct:
		return encodeString(d.Product), true
	case stringSerial:
		return encodeString(d.Serial), d.Serial != ""
	}
	return nil, false
}

// maxUnits is how many UTF-16 units fit behind a one-byte length.
const maxUnits = (255 - 2) / 2

func encodeString(s string) []byte {
	u := utf16.Encode([]rune(s))
	u = u[:min(len(u), maxUnits)]
	b := []byte{byte(2 + 2*len(u)), descString}
	for _, c := range u {
		b = binary.LittleEndian.AppendUint16(b, c)
	}
	return b
}
