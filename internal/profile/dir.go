package profile

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
)

// Load reads the profile in the named file of fsys.
func Load(fsys fs.FS, name string) (*Profile, error) {
	f, err := fsys.Open(name)
	if err != nil {
		return nil, fmt.Errorf("open profile %s: %w", name, err)
	}
	defer f.Close() //nolint:errcheck // opened for reading only
	return Parse(f, name)
}

// LoadDir reads every *.yaml of fsys and returns the profiles by name. All
// that is wrong in any of them is reported together.
func LoadDir(fsys fs.FS) (map[string]*Profile, error) {
	files, err := fs.Glob(fsys, "*.yaml")
	if err != nil {
		return nil, fmt.Errorf("list profiles: %w", err)
	}
	out := map[string]*Profile{}
	from := map[string]string{}
	var errs []error
	for _, f := range files {
		p, err := Load(fsys, f)
		switch {
		case err != nil:
			errs = append(errs, err)
		case from[p.Name] != "":
			errs = append(errs, fmt.Errorf("%s: profile %q is already in %s", f, p.Name, from[p.Name]))
		default:
			out[p.Name], from[p.Name] = p, path.Base(f)
		}
	}
	return out, errors.Join(errs...)
}
