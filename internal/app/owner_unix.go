//go:build unix

package app

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// handOver gives what root made of a ledger to the owner of its folder, who
// could not open it otherwise. For anybody else it does nothing.
func handOver(dir string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	info, err := os.Stat(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("hand over %s: %w", dir, err)
	}
	entries, err := os.ReadDir(dir)
	errs := []error{err}
	for _, e := range entries {
		if rootMade(e) {
			errs = append(errs, os.Lchown(filepath.Join(dir, e.Name()), int(ownerOf(info).Uid), int(ownerOf(info).Gid)))
		}
	}
	return errors.Join(errs...)
}

// rootMade reports a file of a ledger that is root's. One that has a second
// name is nobody's to give away.
func rootMade(e fs.DirEntry) bool {
	name := e.Name()
	if !e.Type().IsRegular() || !strings.HasPrefix(name, "ledger.db") && name != "lock" && name != "suspect" {
		return false
	}
	info, err := e.Info()
	return err == nil && ownerOf(info).Uid == 0 && ownerOf(info).Nlink == 1
}

func ownerOf(info fs.FileInfo) *syscall.Stat_t {
	return info.Sys().(*syscall.Stat_t) //nolint:forcetypeassert // os documents it for unix
}
