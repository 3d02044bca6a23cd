package usbtest

import (
	"fmt"
	"strings"
)

// Message makes the bytes of a uevent in the kernel's order: ACTION, DEVPATH,
// SUBSYSTEM, then vars, SEQNUM last (lib/kobject_uevent.c).
func Message(action, devpath, subsystem string, seq uint64, vars ...string) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "%s@%s\x00", action, devpath)
	fmt.Fprintf(&b, "ACTION=%s\x00DEVPATH=%s\x00SUBSYSTEM=%s\x00", action, devpath, subsystem)
	for _, v := range vars {
		b.WriteString(v + "\x00")
	}
	fmt.Fprintf(&b, "SEQNUM=%d\x00", seq)
	return []byte(b.String())
}

// DeviceMessage makes the bytes of a uevent about the device on a port.
// PRODUCT has no leading zeros (usb_dev_uevent in drivers/usb/core/driver.c).
func DeviceMessage(action, port string, d Device, seq uint64) []byte {
	bus, _, _ := strings.Cut(port, "-")
	return Message(action, DevPath(port), "usb", seq,
		"MAJOR=189",
		fmt.Sprintf("MINOR=%d", d.Devnum-1),
		fmt.Sprintf("DEVNAME=bus/usb/%03s/%03d", bus, d.Devnum),
		"DEVTYPE=usb_device",
		fmt.Sprintf("PRODUCT=%x/%x/100", d.ID.Vendor, d.ID.Product),
		"TYPE=255/0/0",
		fmt.Sprintf("BUSNUM=%03s", bus),
		fmt.Sprintf("DEVNUM=%03d", d.Devnum),
	)
}

// InterfaceMessage makes the bytes of a uevent about the first interface of
// the device on a port.
func InterfaceMessage(action, port string, d Device, seq uint64) []byte {
	return Message(action, DevPath(port)+"/"+port+":1.0", "usb", seq,
		"DEVTYPE=usb_interface",
		fmt.Sprintf("PRODUCT=%x/%x/100", d.ID.Vendor, d.ID.Product),
		"TYPE=255/0/0",
		"INTERFACE=255/0/0",
		fmt.Sprintf("MODALIAS=usb:v%04Xp%04Xd0100dcFFdsc00dp00icFFisc00ip00in00", d.ID.Vendor, d.ID.Product),
	)
}

// DevPath is a sysfs path for a port, through all hubs on the way.
func DevPath(port string) string {
	bus, chain, _ := strings.Cut(port, "-")
	p := "/devices/pci0000:00/0000:00:14.0/usb" + bus
	for i := range len(chain) + 1 {
		if i == len(chain) || chain[i] == '.' {
			p += "/" + bus + "-" + chain[:i]
		}
	}
	return p
}
