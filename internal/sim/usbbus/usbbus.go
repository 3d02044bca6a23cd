// Package usbbus is a USB bus in the same process, for the demo and for tests:
// a sysfs tree as package usb reads it, and the uevents that the kernel would
// send. It knows nothing of stations, modes or scenarios.
package usbbus

import (
	"context"
	"fmt"
	"io/fs"
	"strings"
	"sync"

	"benchvigil/internal/bench"
	"benchvigil/internal/usb"
	"benchvigil/internal/usb/usbtest"
)

// DefaultDepth is how many uevents a socket holds: what a real one of default
// size was seen to keep.
const DefaultDepth = 256

// newDeviceURBs is the traffic count after a real enumeration.
const newDeviceURBs = 10

// Bus is a bus with its ports. All methods may be called from any goroutine.
// Port paths that are not valid are a programmer's error and panic.
type Bus struct {
	tree  *usbtest.Tree
	depth int

	mu      sync.Mutex
	ports   map[string]*device
	devnums map[string]int // bus → device number given last
	seq     uint64
	sockets map[*Socket]struct{}
}

// device is what stands on a port.
type device struct {
	usbtest.Device
	urbs func() uint64
}

// New returns a bus with empty ports. Its sockets hold depth uevents each;
// zero means DefaultDepth.
func New(depth int) *Bus {
	if depth <= 0 {
		depth = DefaultDepth
	}
	return &Bus{
		tree:    usbtest.NewTree(),
		depth:   depth,
		ports:   map[string]*device{},
		devnums: map[string]int{},
		sockets: map[*Socket]struct{}{},
	}
}

// The bus is its own sysfs root.
var (
	_ fs.ReadFileFS = (*Bus)(nil)
	_ fs.StatFS     = (*Bus)(nil)
)

// Open opens a file below bus/usb/devices, as in sysfs.
func (b *Bus) Open(name string) (fs.File, error) { return b.tree.Open(name) }

// ReadFile reads an attribute as it is now.
func (b *Bus) ReadFile(name string) ([]byte, error) { return b.tree.ReadFile(name) }

// Stat tells about a name.
func (b *Bus) Stat(name string) (fs.FileInfo, error) { return b.tree.Stat(name) }

// Plug puts a device on a port; one that stands there is unplugged before. An
// empty serial is a device without one.
func (b *Bus) Plug(port string, id bench.USBID, serial string) {
	mustBePort(port)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.unplug(port)
	d := &device{
		Device: usbtest.Device{ID: id, Devnum: b.nextDevnum(port), Serial: serial, URBs: newDeviceURBs},
		urbs:   fixed(newDeviceURBs),
	}
	b.ports[port] = d
	b.tree.Plug(port, d.Device)
	b.send(usbtest.DeviceMessage("add", port, d.Device, b.nextSeq()))
	b.send(usbtest.InterfaceMessage("add", port, d.Device, b.nextSeq()))
	b.send(usbtest.InterfaceMessage("bind", port, d.Device, b.nextSeq()))
	b.send(usbtest.DeviceMessage("bind", port, d.Device, b.nextSeq()))
}

// Unplug empties a port. An empty one stays empty and says nothing.
func (b *Bus) Unplug(port string) {
	mustBePort(port)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.unplug(port)
}

func (b *Bus) unplug(port string) {
	d, ok := b.ports[port]
	if !ok {
		return
	}
	b.send(usbtest.InterfaceMessage("unbind", port, d.Device, b.nextSeq()))
	b.send(usbtest.InterfaceMessage("remove", port, d.Device, b.nextSeq()))
	b.send(usbtest.DeviceMessage("unbind", port, d.Device, b.nextSeq()))
	delete(b.ports, port)
	b.tree.Unplug(port) // gone from sysfs before the kernel says so
	b.send(usbtest.DeviceMessage("remove", port, d.Device, b.nextSeq()))
}

// SetURBs sets the traffic count of the device on a port. An empty port has
// none.
func (b *Bus) SetURBs(port string, n uint64) { b.CountURBs(port, fixed(n)) }

// AddURBs adds to the traffic count of the device on a port, which then stands
// still.
func (b *Bus) AddURBs(port string, n uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if d, ok := b.ports[port]; ok {
		b.count(port, fixed(d.urbs()+n))
	}
}

// CountURBs makes the traffic count of the device on a port whatever urbs
// returns at each read, until another device stands there. urbs must not call
// the bus.
func (b *Bus) CountURBs(port string, urbs func() uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.count(port, urbs)
}

func (b *Bus) count(port string, urbs func() uint64) {
	d, ok := b.ports[port]
	if !ok {
		return
	}
	d.urbs = urbs
	b.tree.SetFunc(usbtest.Attribute(port, "urbnum"), func() ([]byte, error) {
		return fmt.Appendf(nil, "%d\n", urbs()), nil
	})
}

// Devices lists what stands on the bus, as libusb would.
func (b *Bus) Devices(context.Context) ([]usb.Device, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	var list []usb.Device
	for port, d := range b.ports {
		var bus int
		fmt.Sscanf(port, "%d-", &bus) //nolint:errcheck // ports are valid
		list = append(list, usb.Device{
			Bus: bus, Address: d.Devnum, Port: port,
			Vendor: usb.Hex16(d.ID.Vendor), Product: usb.Hex16(d.ID.Product),
			Class: 0xff, Speed: "high",
		})
	}
	return list, nil
}

// nextDevnum gives numbers as the kernel does: upwards, from 127 back to 2,
// the root hub having 1, never one in use.
func (b *Bus) nextDevnum(port string) int {
	bus, _, _ := strings.Cut(port, "-")
	for {
		n := b.devnums[bus] + 1
		if n < 2 || n > 127 {
			n = 2
		}
		b.devnums[bus] = n
		if !b.inUse(bus, n) {
			return n
		}
	}
}

func (b *Bus) inUse(bus string, devnum int) bool {
	for port, d := range b.ports {
		if d.Devnum == devnum && strings.HasPrefix(port, bus+"-") {
			return true
		}
	}
	return false
}

func (b *Bus) nextSeq() uint64 {
	b.seq++
	return b.seq
}

func (b *Bus) send(message []byte) {
	for s := range b.sockets {
		s.push(message)
	}
}

func fixed(n uint64) func() uint64 { return func() uint64 { return n } }

func mustBePort(port string) {
	if !usb.ValidPort(port) {
		panic(fmt.Sprintf("usbbus: %q is not a port path", port))
	}
}
