//go:build unix

package app

import (
	"fmt"
	"os"
)

// likeFolder gives what root made to the owner of the folder, who could not
// read it otherwise.
func likeFolder(dir, path string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	info, err := os.Stat(dir)
	if err != nil {
		return err
	}
	if err := os.Lchown(path, int(ownerOf(info).Uid), int(ownerOf(info).Gid)); err != nil {
		return fmt.Errorf("hand over %s: %w", path, err)
	}
	return nil
}
