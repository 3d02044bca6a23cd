// Package usb is the source of bench.USB, bench.Traffic and bench.USBSource
// observations: it watches what stands on the ports of the bench computer.
//
// A station owns a port path, because the device behind it changes its
// identity with its mode. Kernel uevents are hints, sysfs is the truth: a
// uevent means "look again at that port", and what is told to a station is the
// difference between what it was told last and what stands there now. So
// nothing that gets lost on the way (a full socket, a full mailbox, a gap in
// the numbering) loses more than time: the next look tells it.
//
// The watched device is never opened, written to or asked anything: a restore
// may be under way, and a damaged board can hang its hub for 21 s. The event
// path reads only attributes that never block (devnum, idVendor, idProduct,
// urbnum); the serial number is read aside, and libusb enumerates in a child
// process (package scan), whose answer is compared and never acted on.
//
// Uevents and sysfs are Linux's. Elsewhere (Choose) the bus is watched by scans
// alone, one a second: no traffic count, no serial number, and what comes and
// goes between two scans is only seen where the device number changed.
//
// The package knows nothing of modes, runs or what an absence means, and needs
// no cgo.
package usb
