//go:build !cgo

package scan

import (
	"context"
	"errors"
	"fmt"

	"benchvigil/internal/usb"
)

// Devices says that this binary cannot list devices: it was built without
// libusb.
func Devices(context.Context) ([]usb.Device, error) {
	return nil, fmt.Errorf("list USB devices: this benchvigil was built without libusb: build it with CGO_ENABLED=1, "+
		"a C compiler and the development files of libusb 1.0: %w", errors.ErrUnsupported)
}
