package usbip

// Function is what a device does beyond saying who it is: this package has
// Serial and TMC. The goroutine that serves the device calls it, one call at a
// time.
type Function interface {
	// class is the device's class, subclass and protocol.
	class() []byte
	// interfaces are the descriptors that follow the configuration's own.
	interfaces() []byte
	// reset forgets what was said before: the host begins anew.
	reset()
	// control treats a class request as Device.control does.
	control(s Setup, out []byte) (in []byte, ok bool)
	// out takes a transfer of an endpoint that it has; false refuses it.
	out(endpoint int, data []byte) bool
	// in gives max bytes at most; false says that there is nothing yet, and is
	// asked again after the host has sent something.
	in(endpoint, max int) (data []byte, ready bool)
}

// Kinds of endpoints, and the direction in their address (USB 2.0 table 9-13,
// from memory).
const (
	bulk      = 2
	interrupt = 3

	dirIn = 0x80
)

// packetSize is the largest packet of a bulk endpoint at high speed, in bytes.
const packetSize = 512

// endpoint is its descriptor.
func endpoint(address, kind byte, packet int, interval byte) []byte {
	return []byte{7, descEndpoint, address, kind, byte(packet), byte(packet >> 8), interval}
}

// bulkPair are two endpoints of one number.
func bulkPair(number byte) []byte {
	return append(endpoint(number|dirIn, bulk, packetSize, 0), endpoint(number, bulk, packetSize, 0)...)
}

// vendor is a sink and a source of zeros.
type vendor struct{}

func (vendor) class() []byte { return []byte{0xff, 0, 0} }

func (vendor) interfaces() []byte {
	return append([]byte{9, descInterface, 0, 0, 2, 0xff, 0, 0, 0}, bulkPair(1)...)
}

func (vendor) reset() {}

func (vendor) control(Setup, []byte) ([]byte, bool) { return nil, false }

func (vendor) out(int, []byte) bool { return true }

func (vendor) in(_, max int) ([]byte, bool) { return make([]byte, max), true }
