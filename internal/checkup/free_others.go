//go:build !linux && !darwin

package checkup

import (
	"errors"
	"fmt"
)

// FreeSpace is not known on this system.
func FreeSpace(folder string) (uint64, error) {
	return 0, fmt.Errorf("look at the disk of %s: %w", folder, errors.ErrUnsupported)
}
