//go:build linux || darwin

package app

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// lock keeps a file from being written by two watches, whose lines would get
// mixed up. It holds until the file is closed, also by the end of the process.
// Where the file system has no locks, nothing is kept.
func lock(f *os.File) error {
	info, err := f.Stat()
	if err != nil || !info.Mode().IsRegular() {
		return err
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); errors.Is(err, unix.EWOULDBLOCK) {
		return fmt.Errorf("%s: another benchvigil writes to it: stop that one, or name another file", f.Name())
	}
	return nil
}
