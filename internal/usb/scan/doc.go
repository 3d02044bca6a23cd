// Package scan lists USB devices through libusb, without opening any. It is
// the only package that needs cgo, and it runs in a short-lived child process:
// C code that hangs on a damaged board or faults takes only the child with it.
// It knows nothing of ports that are watched.
package scan
