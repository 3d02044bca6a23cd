package ledger

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// lockName is the file that holds the process number of who writes. It is
// emptied when that one closes the ledger.
const lockName = "lock"

// folder is a data folder held against other writers.
type folder struct {
	dir     string
	lock    *os.File
	used    bool // by an earlier one
	unclean bool // which did not close it
}

// hold makes the folder where it is missing and takes its lock.
func hold(dir string) (*folder, error) {
	if err := makeDir(dir); err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	_, missing := os.Stat(filepath.Join(dir, lockName))
	used := missing == nil
	f, err := os.OpenFile(filepath.Join(dir, lockName), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	text, _ := io.ReadAll(io.LimitReader(f, 32))
	pid := strings.TrimSpace(string(text))
	if err := lockFile(f); err != nil {
		closed := f.Close()
		if errors.Is(err, ErrLocked) {
			err = fmt.Errorf("%s: %w, process %s", dir, err, pid)
		}
		return nil, errors.Join(err, closed)
	}
	// A full disk must not keep a watch from being taken up: the number only
	// serves the message above, and to tell after a power cut that one was met.
	_ = errors.Join(write(f, strconv.Itoa(os.Getpid())+"\n"), f.Sync())
	return &folder{dir: dir, lock: f, used: used, unclean: pid != ""}, nil
}

// makeDir makes a folder, and those it lies in, where they are missing, so that
// they survive a power cut with all that is in them.
func makeDir(dir string) error {
	if info, err := os.Stat(dir); err == nil && info.IsDir() {
		return nil
	}
	parent := filepath.Dir(dir)
	if parent != dir {
		if err := makeDir(parent); err != nil {
			return err
		}
	}
	if err := os.Mkdir(dir, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	if err := syncDir(parent); err != nil && !errors.Is(err, fs.ErrPermission) {
		return err // a folder that may be written, but not read, cannot be synced
	}
	return nil
}

// release gives the folder up. Clean says that all was written.
func (d *folder) release(clean bool) error {
	if clean {
		if err := write(d.lock, ""); err != nil {
			return errors.Join(err, d.lock.Close())
		}
	}
	return d.lock.Close()
}

func write(f *os.File, text string) error {
	if err := f.Truncate(0); err != nil {
		return err
	}
	_, err := f.WriteAt([]byte(text), 0)
	return err
}

// private makes a file that only its owner reads, where there is none; what
// SQLite puts beside it becomes so too.
func private(path string) error {
	f, err := os.OpenFile(path, os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	return f.Close()
}

func (d *folder) path(name string) string { return filepath.Join(d.dir, name) }
