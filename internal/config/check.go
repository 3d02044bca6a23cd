package config

import (
	"cmp"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
)

// checker turns raw values into typed ones and reports what is wrong.
type checker struct {
	*report
	opts     Options
	profiles map[string]*profile.Profile
	pushed   string // an outlet of kind web-push that the file names
	broken   bool   // some profile could not be read, so an unknown one may be that
}

func (c *checker) config(raw rawConfig) Config {
	if raw.Bench == "" {
		c.missing("bench", "give this bench a name, such as north")
	}
	profiles := c.below("profiles", raw.Profiles)
	c.loadProfiles(profiles)
	cfg := Config{
		Profiles: profiles,
		Bench:    c.label("bench", raw.Bench),
		Listen:   c.listen("listen", raw.Listen),
		USB:      c.usb(raw.USB),
		Traces: Traces{
			Keep: c.duration("traces.keep", raw.Traces.Keep, minKeep, maxKeep),
			Size: c.size("traces.size", raw.Traces.Size),
		},
		Stations: c.stations(raw.Stations, c.auto("auto", raw.Auto)),

		InhibitSleep: c.yesNo("inhibit_sleep", raw.InhibitSleep),
	}
	c.tls(raw.TLS, &cfg)
	c.telling(raw, &cfg)
	return cfg
}

// below places a relative path below the folder of the file, unless it was not
// the file that gave it: then it starts where the program does.
func (c *checker) below(key, path string) string {
	if _, given := c.given[key]; given || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(c.opts.Dir, path)
}

func (c *checker) usb(raw rawUSB) USB {
	u := USB{
		Sysfs:  c.below("usb.sysfs", raw.Sysfs),
		Rescan: c.duration("usb.rescan", raw.Rescan, minRescan, maxRescan),
	}
	if raw.Scan != Never {
		u.Scan = c.duration("usb.scan", raw.Scan, minScan, maxScan)
	}
	return u
}

func (c *checker) loadProfiles(dir string) {
	var err error
	c.profiles, err = c.opts.Profiles(dir)
	c.broken = err != nil
	for _, e := range split(err) {
		c.fail("profiles", "%s: %v", dir, e)
	}
	if err == nil && len(c.profiles) == 0 {
		c.broken = true
		c.fail("profiles", "%s has no profile: put at least one device family there, as NAME.yaml", dir)
	}
}

// split takes joined errors apart, so that each has its line in the report.
func split(err error) (all []error) {
	joined, ok := err.(interface{ Unwrap() []error })
	switch {
	case err == nil:
		return nil
	case !ok:
		return []error{err}
	}
	for _, e := range joined.Unwrap() {
		all = append(all, split(e)...)
	}
	return all
}

func (c *checker) profile(path, name string) *profile.Profile {
	p := c.profiles[name]
	switch {
	case name == "":
		c.missing(path, "name the device family, one of %s", strings.Join(c.known(), ", "))
	case p == nil && !c.broken:
		c.fail(path, "unknown profile %q: %s", name, hint(name, c.known()))
	}
	return p
}

func (c *checker) known() []string { return slices.Sorted(maps.Keys(c.profiles)) }

func (c *checker) stations(raws []rawStation, auto []bench.Mode) (out []Station) {
	if len(raws) == 0 {
		c.missing("stations", "a bench without stations watches nothing: add one")
	}
	for i, raw := range raws {
		s := c.station(fmt.Sprintf("stations[%d]", i), raw)
		if raw.Auto == "" {
			s.Auto = s.has(auto)
		}
		out = append(out, s)
	}
	c.apart(out)
	return out
}

func (c *checker) station(path string, raw rawStation) Station {
	if raw.ID == "" {
		c.missing(path+".id", "give the station a short name of its own, such as left-1")
	}
	s := Station{
		ID:      c.label(path+".id", raw.ID),
		Name:    c.name(path+".name", cmp.Or(raw.Name, raw.ID)),
		Port:    c.port(path+".port", raw.Port),
		Profile: c.profile(path+".profile", raw.Profile),
		Power:   c.power(path+".power", raw),
		VBUS:    c.yesNo(path+".vbus", raw.VBUS),
		Auto:    c.auto(path+".auto", raw.Auto),
	}
	for _, m := range s.Auto {
		if s.Profile != nil && s.Profile.Spec(m) == nil {
			c.fail(path+".auto", "the profile %s has no mode %s", s.Profile.Name, m)
		}
	}
	switch {
	case raw.Window != "":
		s.Window = c.duration(path+".window", raw.Window, minWindow, maxWindow)
	case s.Profile != nil:
		s.Window = s.Profile.Window
	}
	if raw.Supply != nil {
		s.Supply = c.supply(path+".supply", *raw.Supply)
	}
	if raw.VBUSMeter != nil {
		s.VBUSMeter = c.supply(path+".vbus_meter", *raw.VBUSMeter)
	}
	if raw.Thermometer != nil {
		s.Thermometer = c.thermometer(path+".thermometer", *raw.Thermometer)
	}
	c.wiring(path, raw, s)
	return s
}

// maxName is what fits a tile, in characters.
const maxName = 64

func (c *checker) name(path, text string) string {
	if strings.TrimSpace(text) != text || utf8.RuneCountInString(text) > maxName || strings.ContainsFunc(text, unprintable) {
		c.fail(path, "%q must be at most %d printable characters, without space at the ends", text, maxName)
	}
	return text
}

func (c *checker) power(path string, raw rawStation) bench.PowerPath {
	switch {
	case raw.Power != "":
		p, err := bench.ParsePowerPath(raw.Power)
		if err != nil {
			c.fail(path, "%v", err)
		}
		return p
	case raw.Supply != nil:
		return bench.FromSupply
	default:
		return bench.FromBattery
	}
}

// wiring checks that the parts of a station make sense together.
func (c *checker) wiring(path string, raw rawStation, s Station) {
	switch {
	case s.Power == bench.FromBattery && raw.Supply != nil:
		c.fail(path+".supply", "a battery feeds this board, so the readings of a supply would not be its own: "+
			"remove supply, or write power: supply")
	case s.Power == bench.FromSupply && raw.Supply == nil && raw.Port == "":
		c.fail(path+".power", "there is neither a supply nor a port to watch: add one of them, or write power: battery")
	}
	if raw.VBUSMeter != nil && !s.VBUS {
		c.fail(path+".vbus_meter", "measures USB bus power, which does not feed this board: write vbus: true, or remove vbus_meter")
	}
	if s.VBUS && raw.Port == "" {
		c.fail(path+".vbus", "USB power comes through a port, and without it a drop cannot be told from a change of feed: add port")
	}
}
