package usbip

import (
	"encoding/binary"
	"unicode/utf16"

	"benchvigil/internal/bench"
)

// Device describes an emulated USB 2.0 high-speed device of the vendor class
// with one configuration: a bulk sink at endpoint 1 OUT and a bulk source of
// zeros at endpoint 1 IN. No kernel driver binds to it.
type Device struct {
	ID           bench.USBID
	Release      uint16 // bcdDevice, binary-coded decimal
	Manufacturer string
	Product      string
	Serial       string // "" for a device without a serial number

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

// typeMask picks the kind of a request out of RequestType; standard is zero.
const typeMask = 0x60

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

// control answers a request, data being for the host; ok is false for a
// request that the device refuses (a stall).
func (d Device) control(s Setup) (data []byte, ok bool) {
	if s.RequestType&typeMask != 0 {
		return nil, false
	}
	switch s.Request {
	case reqGetDescriptor:
		return d.descriptor(s.Value>>8, s.Value&0xff)
	case reqGetStatus:
		return []byte{1, 0}, true // self-powered
	case reqGetConfiguration:
		return []byte{1}, true
	case reqGetInterface:
		return []byte{0}, true
	case reqClearFeature, reqSetFeature, reqSetAddress, reqSetConfiguration, reqSetInterface:
		return nil, true
	}
	return nil, false
}

func (d Device) descriptor(kind, index uint16) ([]byte, bool) {
	switch {
	case kind == descDevice:
		return d.deviceDescriptor(), true
	case kind == descConfig && index == 0:
		return configDescriptor(), true
	case kind == descString:
		return d.stringDescriptor(index)
	}
	return nil, false // a full-speed qualifier, for one
}

func (d Device) deviceDescriptor() []byte {
	b := []byte{18, descDevice, 0x00, 0x02, 0xff, 0, 0, 64}
	b = binary.LittleEndian.AppendUint16(b, d.ID.Vendor)
	b = binary.LittleEndian.AppendUint16(b, d.ID.Product)
	b = binary.LittleEndian.AppendUint16(b, d.Release)
	serial := byte(stringSerial)
	if d.Serial == "" {
		serial = 0
	}
	return append(b, stringManufacturer, stringProduct, serial, 1)
}

// configDescriptor is the whole configuration: 100 mA, self-powered, one
// vendor interface, two bulk endpoints of 512 bytes.
func configDescriptor() []byte {
	b := []byte{9, descConfig, 0, 0, 1, 1, 0, 0xc0, 50}
	b = append(b, 9, descInterface, 0, 0, 2, 0xff, 0, 0, 0)
	b = append(b, 7, descEndpoint, 0x81, 2, 0x00, 0x02, 0)
	b = append(b, 7, descEndpoint, 0x01, 2, 0x00, 0x02, 0)
	b[2] = byte(len(b))
	return b
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
