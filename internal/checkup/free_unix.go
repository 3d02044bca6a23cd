//go:build linux || darwin

package checkup

import (
	"fmt"

	"golang.org/x/sys/unix"
)

// FreeSpace is how many bytes a user may still write below a folder.
func FreeSpace(folder string) (uint64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(folder, &s); err != nil {
		return 0, fmt.Errorf("look at the disk of %s: %w", folder, err)
	}
	return s.Bavail * uint64(s.Bsize), nil //nolint:gosec,unconvert // a block size is positive; its type differs by system
}
