//go:build !linux

package supply

import (
	"errors"
	"fmt"
)

func dialUSBTMC(device string) (Conn, error) {
	return nil, fmt.Errorf("open %s: USBTMC goes through the Linux kernel's driver: use the instrument's network or serial port on this system: %w",
		device, errors.ErrUnsupported)
}
