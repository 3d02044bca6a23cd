package enroll

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// writable says before any question is asked that the configuration could not
// be written in the end. It changes nothing: the nearest folder that is there is
// looked at.
func writable(file string) error {
	folder := filepath.Dir(file)
	for {
		_, err := os.Stat(folder)
		parent := filepath.Dir(folder)
		if err == nil || !errors.Is(err, fs.ErrNotExist) || parent == folder {
			break
		}
		folder = parent
	}
	return refusal(file, mayWrite(folder))
}

// refusal says what to do about a place that cannot be written.
func refusal(file string, err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%s could not be written: %w: run it with sudo, or name another file with --config", file, err)
	}
	return fmt.Errorf("%s could not be written: %w: name another file with --config", file, err)
}
