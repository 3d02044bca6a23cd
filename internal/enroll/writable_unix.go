//go:build unix

package enroll

import (
	"fmt"

	"golang.org/x/sys/unix"
)

// mayWrite asks the system whether files can be made in a folder.
func mayWrite(folder string) error {
	if err := unix.Access(folder, unix.W_OK|unix.X_OK); err != nil {
		return fmt.Errorf("%s: %w", folder, err)
	}
	return nil
}
