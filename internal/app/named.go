package app

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"benchvigil/configs"
	"benchvigil/internal/config"
	"benchvigil/internal/profile"
)

// DefaultConfig is where an installed service has its configuration.
const DefaultConfig = "/etc/benchvigil/config.yaml"

// loadProfile reads the profile that somebody names, see namedProfile.
func loadProfile(named string) (*profile.Profile, error) {
	p, _, _, err := namedProfile(named)
	return p, err
}

// namedProfile reads the profile that somebody names: a file, or else by its
// name one of those that the configuration can name, or else a shipped one. file
// is where it was found, as errors name it.
func namedProfile(named string) (p *profile.Profile, file string, text []byte, err error) {
	text, err = os.ReadFile(named)
	switch {
	case err == nil:
		p, err = profile.Parse(bytes.NewReader(text), named)
	case errors.Is(err, fs.ErrNotExist) && filepath.Ext(named) == "" && filepath.Base(named) == named:
		p, file, text, err = profileByName(named)
		named = file
	default:
		err = fmt.Errorf("profile: %w", err)
	}
	if err != nil {
		return nil, "", nil, fmt.Errorf("%w: %w", ErrConfig, err)
	}
	return p, named, text, nil
}

// profileByName looks into the configured folder, then among the shipped ones.
// What is wrong with another profile there does not matter.
func profileByName(name string) (_ *profile.Profile, file string, text []byte, err error) {
	folder := profileFolder(DefaultConfig)
	known := map[string]bool{}
	for _, in := range []struct {
		fs.FS
		path string
	}{{os.DirFS(folder), folder}, {configs.Profiles(), ""}} {
		files, err := fs.Glob(in, "*.yaml")
		if err != nil {
			return nil, "", nil, err
		}
		for _, f := range files {
			text, err := fs.ReadFile(in, f)
			if err != nil {
				continue
			}
			p, err := profile.Parse(bytes.NewReader(text), filepath.Join(in.path, f))
			switch {
			case err != nil && strings.TrimSuffix(f, ".yaml") == name:
				return nil, "", nil, err
			case err == nil && p.Name == name:
				return p, filepath.Join(in.path, f), text, nil
			case err == nil:
				known[p.Name] = true
			}
		}
	}
	return nil, "", nil, fmt.Errorf("there is no file %s and no profile of that name: there are %s", name, strings.Join(slices.Sorted(maps.Keys(known)), ", "))
}

// profileFolder is the folder of the profiles that a configuration can name;
// beside one that is not there yet, the usual folder has them.
func profileFolder(file string) string {
	if c, err := config.Load(file); err == nil {
		return c.Profiles
	}
	if folder := os.Getenv(config.EnvName("profiles")); folder != "" {
		return folder
	}
	return filepath.Join(filepath.Dir(file), config.DefaultProfiles)
}
