package usbtest

import (
	"fmt"
	"path"

	"benchvigil/internal/bench"
)

// Devices is where devices are listed by port path.
const Devices = "bus/usb/devices"

// Device is what a device shows in sysfs.
type Device struct {
	ID     bench.USBID
	Devnum int
	Speed  string // Mbit/s, "480" where empty
	Serial string // none where empty
	URBs   uint64
}

// Plug puts a device on a port, all its attributes at once.
func (t *Tree) Plug(port string, d Device) {
	files := dir{}
	for name, text := range d.attributes() {
		files[name] = Content(func() ([]byte, error) { return []byte(text + "\n"), nil })
	}
	files["descriptors"] = Content(func() ([]byte, error) { return d.descriptors(), nil })
	t.mu.Lock()
	defer t.mu.Unlock()
	t.root.make(Devices)[port] = files
}

// Unplug empties a port.
func (t *Tree) Unplug(port string) { t.Remove(Attribute(port, "")) }

// Attribute is the path of an attribute of the device on a port.
func Attribute(port, name string) string { return path.Join(Devices, port, name) }

// attributes are a device's text files as the kernel prints them
// (Documentation/ABI/stable/sysfs-bus-usb and testing/sysfs-bus-usb).
func (d Device) attributes() map[string]string {
	m := map[string]string{
		"idVendor":  fmt.Sprintf("%04x", d.ID.Vendor),
		"idProduct": fmt.Sprintf("%04x", d.ID.Product),
		"devnum":    fmt.Sprint(d.Devnum),
		"speed":     d.Speed,
		"urbnum":    fmt.Sprint(d.URBs),
	}
	if d.Speed == "" {
		m["speed"] = "480"
	}
	if d.Serial != "" {
		m["serial"] = d.Serial
	}
	return m
}

// descriptors is the 18-byte device descriptor (USB 2.0 table 9-8), little
// endian, of a vendor-specific device with one configuration.
func (d Device) descriptors() []byte {
	v, p := d.ID.Vendor, d.ID.Product
	return []byte{18, 1, 0x00, 0x02, 0xff, 0, 0, 64, byte(v), byte(v >> 8), byte(p), byte(p >> 8), 0, 1, 1, 2, 3, 1}
}
