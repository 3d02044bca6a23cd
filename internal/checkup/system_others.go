//go:build !linux

package checkup

import (
	"errors"
	"fmt"
)

// KernelClock asks the kernel about its clock: only Linux tells.
func KernelClock() (Clock, error) {
	return Clock{}, fmt.Errorf("ask the kernel about its clock: %w", errors.ErrUnsupported)
}
