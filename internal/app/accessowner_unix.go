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

// ownersOf remembers whose files these are, and returns what gives them back when
// root has made them anew: a service must be able to read a renewed key. One that
// was not there goes to the owner of a folder, where that is there.
func ownersOf(files []string, folder string) (giveBack func() error) {
	like := make([]os.FileInfo, len(files))
	for i, file := range files {
		info, err := os.Stat(file)
		if err != nil {
			info, _ = os.Stat(folder) // nil: it stays root's
		}
		like[i] = info
	}
	return func() error {
		if os.Geteuid() != 0 {
			return nil
		}
		for i, info := range like {
			if info == nil {
				continue
			}
			if err := os.Lchown(files[i], int(ownerOf(info).Uid), int(ownerOf(info).Gid)); err != nil {
				return fmt.Errorf("hand over %s: %w", files[i], err)
			}
		}
		return nil
	}
}

// serviceReads says if the owner of a folder, as whom the service runs, cannot
// read a file.
func serviceReads(folder, file string) error {
	of, err := os.Stat(folder)
	if err != nil {
		return nil // the service never ran
	}
	info, err := os.Stat(file)
	if err != nil {
		return err
	}
	if ownerOf(info).Uid == ownerOf(of).Uid || info.Mode().Perm()&0o004 != 0 {
		return nil
	}
	return fmt.Errorf("the service cannot read %s: give it to the owner of %s by chown", file, folder)
}
