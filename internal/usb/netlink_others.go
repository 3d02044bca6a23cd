//go:build !linux

package usb

import (
	"errors"
	"fmt"
)

// ListenKernel opens a socket for the kernel's uevents: only Linux has them.
func ListenKernel() (Receiver, error) {
	return nil, fmt.Errorf("open uevent socket: %w", errors.ErrUnsupported)
}
