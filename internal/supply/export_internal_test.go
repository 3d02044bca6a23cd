package supply

import (
	"maps"
	"slices"

	"go.bug.st/serial"
)

// USBTMCDevice is the seam below the USBTMC transport.
type USBTMCDevice = usbtmcDevice

// Transports lists the schemes.
func Transports() []string { return slices.Sorted(maps.Keys(transports)) }

// OpenSerial opens a device that does not stay in one place, as a test's do.
func OpenSerial(device string) (Conn, error) { return dialSerial(device, serial.Mode{BaudRate: 9600}) }

// OverUSBTMC makes a Conn of a device.
func OverUSBTMC(dev USBTMCDevice) Conn { return &usbtmcConn{dev: dev} }
