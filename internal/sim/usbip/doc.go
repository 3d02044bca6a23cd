// Package usbip plays a USB device to a real Linux kernel. It owns the
// emulated device (descriptors, strings, endpoints) and what it is for: nothing,
// a serial line (/dev/ttyACM) or an instrument (/dev/usbtmc) that answers lines;
// the URB half of the USB/IP protocol, and the plugging of such a device into a
// port of the kernel's virtual host controller (vhci_hcd), without TCP or the
// usbip tools. It serves tests in a virtual machine; it must not know what
// watches the device, and nothing but tests and rigs may import it.
//
// The wire format is that of the kernel's Documentation/usb/usbip_protocol.rst.
// Importing (OP_REQ_IMPORT and its kin) is not spoken: writing the socket to
// vhci_hcd's attach file takes its place.
package usbip
