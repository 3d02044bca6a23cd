package app

import (
	"io/fs"
	"os"
	"path/filepath"
)

// installed reports whether the program that runs is a package's, and not one
// that was built in a folder.
func installed() bool {
	exe, err := os.Executable()
	return err == nil && filepath.Dir(exe) == "/usr/bin"
}

// serviceFolder is where the service keeps what it writes (StateDirectory= of
// its unit).
const serviceFolder = "/var/lib/benchvigil"

// hasService reports whether a computer has the unit of the service, by the
// root of its files.
func hasService(root fs.FS) bool {
	for _, dir := range []string{"etc", "usr/lib", "lib"} {
		if _, err := fs.Stat(root, dir+"/systemd/system/benchvigil.service"); err == nil {
			return true
		}
	}
	return false
}
