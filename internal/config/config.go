// Package config reads the configuration file into one typed, checked value.
// It owns the names of the keys, their defaults, limits and the words in which
// a mistake is explained; it is the only importer of viper. It must not know
// what is done with the values: app turns them into each component's options.
//
// The file is YAML. Every mistake in it is reported at once, each with file,
// line and key, why it is refused and what to write instead. A key that holds
// one plain value and belongs to no station can also be given by the command
// line or by an environment variable; a flag wins over a variable, a variable
// over the file, the file over the default.
package config

import (
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

// Config is a whole configuration, complete and consistent: defaults are
// filled in and everything was checked. Nobody changes it after Parse.
type Config struct {
	Bench    string // name of this bench
	Listen   string // host:port of the page; beyond loopback only with TLS
	TLS      TLS
	Profiles string // folder of device families
	USB      USB
	Traces   Traces
	Stations []Station // at least one

	InhibitSleep bool // keep the computer awake while a goal is armed or a run goes on

	Link      string // absolute address of the pages, ending in a slash; empty: nobody knows it
	Contact   string // whom a push service can write to, https: or mailto:; may be empty
	Heartbeat Heartbeat
	Outlets   []Outlet // at least one, in the order of the file
	People    []Person // in the order of the file; empty: whoever the outlets reach
	Alerts    Alerts
}

// Traces says how long readings are kept where a ledger is: as long as both
// allow.
type Traces struct {
	Keep time.Duration
	Size int64 // bytes of the whole ledger
}

// TLS names the files that the site proves itself by, both or none.
type TLS struct{ Certificate, Key string }

// Beyond reports that the page is served beyond this computer.
func (c Config) Beyond() bool {
	host, _, err := net.SplitHostPort(c.Listen)
	ip, bad := netip.ParseAddr(host)
	return err == nil && host != "localhost" && (host == "" || bad == nil && !ip.IsLoopback())
}

// USB says how the bus is watched.
type USB struct {
	Sysfs  string        // root of the kernel's device tree
	Rescan time.Duration // between looks at the whole bus
	Scan   time.Duration // between cross-checks through libusb; 0: never
}

// Station is one place on the bench.
type Station struct {
	ID      string // shown in events and metrics
	Name    string // what people call it
	Port    string // USB port path, "" when none is watched
	Profile *profile.Profile
	Window  time.Duration // how long the board must stay up
	Power   bench.PowerPath
	VBUS    bool         // USB bus power feeds the board too
	Auto    []bench.Mode // entering one of these arms the goal that fits it
	Supply  unit.Maybe[Supply]

	VBUSMeter   unit.Maybe[Supply] // measures USB bus power; its readings are not the board's
	Thermometer unit.Maybe[Supply] // has a Pattern that tells degrees Celsius
}

// Hookup is how the station is wired.
func (s Station) Hookup() bench.Hookup {
	return bench.Hookup{Path: s.Power, VBUS: s.VBUS, USB: s.Port != ""}
}

// Supply says which instrument to ask, what, and how often, or how to read what
// it prints by itself. Queries that are not asked are empty; Query is set, or
// VoltsQuery and AmpsQuery are, or Pattern alone.
type Supply struct {
	Address       string // "tcp://host:port" or "host:port", "serial://…", "usbtmc://…"
	Query         string // answers volts, then amps
	VoltsQuery    string
	AmpsQuery     string
	OutputQuery   string
	SetVoltsQuery string
	LimitQuery    string

	TemperatureQuery string // degrees Celsius beside the board
	Select           string // chooses an output before each question; written, not asked
	Pattern          string // reads the lines of a meter that prints by itself

	Every   time.Duration // from reading to reading; 0 with a Pattern
	Timeout time.Duration // for each answer; with a Pattern, the longest silence
}

// Options of Parse. The zero value reads profiles and files of secrets from disk,
// below the current folder, and listens to nobody but the file.
type Options struct {
	Dir      string // where relative paths in the file start
	Profiles func(dir string) (map[string]*profile.Profile, error)
	Flags    map[string]string        // key → value as the command line gives it; wins over everything
	Env      func(name string) string // os.Getenv; wins over the file
	Secret   func(path string) ([]byte, error)
}

// maxBytes bounds a configuration; forty stations need some 20 KB.
const maxBytes = 1 << 20

// Load reads the configuration in the file at path, under the environment;
// relative paths in it start from its folder.
func Load(path string) (Config, error) { return LoadWith(path, nil) }

// LoadWith is Load with values of the command line, by key.
func LoadWith(path string, flags map[string]string) (Config, error) {
	l, err := load(path, flags)
	return l.Config, err
}

// Parse reads a configuration; name stands for it in errors.
func Parse(r io.Reader, name string, opts Options) (Config, error) {
	l, err := parse(r, name, opts)
	return l.Config, err
}

// loaded is a configuration with all that is known of its making.
type loaded struct {
	Config
	raw    rawConfig
	report *report
}

func load(path string, flags map[string]string) (loaded, error) {
	f, err := os.Open(path) //nolint:gosec // the user names the file
	if err != nil {
		return loaded{}, fmt.Errorf("open configuration: %w", err)
	}
	defer f.Close() //nolint:errcheck // opened for reading only
	return parse(f, path, Options{Dir: filepath.Dir(path), Flags: flags, Env: os.Getenv})
}

func parse(r io.Reader, name string, opts Options) (loaded, error) {
	text, err := io.ReadAll(io.LimitReader(r, maxBytes+1))
	if err != nil {
		return loaded{}, fmt.Errorf("read configuration %s: %w", name, err)
	}
	if len(text) > maxBytes {
		return loaded{}, fmt.Errorf("%s: larger than 1 MiB, which no configuration is", name)
	}
	if opts.Profiles == nil {
		opts.Profiles = loadProfiles
	}
	if opts.Secret == nil {
		opts.Secret = readSecret
	}
	rep := newReport(name)
	root := parseYAML(rep, text)
	if root == nil {
		return loaded{}, rep.err()
	}
	tree := readTree(rep, root)
	raw, err := decode(tree, rep.override(opts))
	if err != nil {
		return loaded{}, fmt.Errorf("%s: %w", name, err)
	}
	c := (&checker{report: rep, opts: opts}).config(raw)
	if err := rep.err(); err != nil {
		return loaded{}, err
	}
	return loaded{c, raw, rep}, nil
}

// loadProfiles reads the device families in a folder.
func loadProfiles(dir string) (map[string]*profile.Profile, error) {
	if _, err := os.Stat(dir); err != nil {
		return nil, fmt.Errorf("no such folder: %w", err)
	}
	return profile.LoadDir(os.DirFS(dir))
}
