package enroll

import (
	"io/fs"
	"path"
	"slices"
	"strings"

	"benchvigil/internal/usb"
)

// found is something that may be an instrument.
type found struct {
	address string
	shown   string // what people know it by
	port    string // USB port path that it is on, "" if the system does not tell
	certain bool   // its kind says that it is an instrument
}

// instruments lists what may be an instrument, by the computer's device files.
// What is on a port of a station is left out: that is a board, and nothing may
// be sent to it.
func instruments(root, sysfs fs.FS, stations []string) (out []found) {
	for _, name := range glob(root, "dev/usbtmc*") {
		out = append(out, found{"usbtmc:///" + name, "/" + name, portOf(sysfs, "class/usbmisc", path.Base(name)), true})
	}
	for _, name := range glob(root, "dev/serial/by-id/*") {
		tty := ""
		if to, err := fs.ReadLink(root, name); err == nil {
			tty = path.Base(to)
		}
		out = append(out, found{"serial:///" + name, "/" + name, portOf(sysfs, "class/tty", tty), false})
	}
	return slices.DeleteFunc(out, func(f found) bool { return slices.Contains(stations, f.port) && f.port != "" })
}

func glob(root fs.FS, pattern string) []string {
	names, err := fs.Glob(root, pattern)
	if err != nil {
		return nil // only a malformed pattern is an error
	}
	return names
}

// portOf is the USB port of a device by its link in a class folder, such as
// "../../devices/pci0000:00/0000:00:14.0/usb1/1-4/1-4:1.0/ttyUSB0/tty/ttyUSB0".
func portOf(sysfs fs.FS, class, name string) string {
	to, err := fs.ReadLink(sysfs, path.Join(class, name))
	if err != nil {
		return ""
	}
	port := ""
	for part := range strings.SplitSeq(to, "/") {
		if usb.ValidPort(part) {
			port = part
		}
	}
	return port
}
