package app

import (
	"maps"
	"reflect"
	"slices"

	"benchvigil/internal/bench"
	"benchvigil/internal/config"
)

// difference is what has to be done when one configuration follows another.
type difference struct {
	end    []string                // stations that are gone or changed
	begin  map[string]bool         // stations that are new or changed
	keys   map[string][]string     // of stations that changed: which keys
	rename map[string]string       // stations that go on under another name
	auto   map[string][]bench.Mode // stations that go on and arm by themselves in these modes from now on
	watch  bool                    // the ports have to be watched anew
}

// fixed are the keys that only a restart changes.
var fixed = []struct {
	key string
	of  func(config.Config) any
}{
	{"bench", func(c config.Config) any { return c.Bench }},
	{"listen", func(c config.Config) any { return c.Listen }},
	{"tls", func(c config.Config) any { return c.TLS }},
	{"traces", func(c config.Config) any { return c.Traces }},
	{"inhibit_sleep", func(c config.Config) any { return c.InhibitSleep }},
}

// stationKeys names the fields of a station as the configuration does. Name and
// auto are not among them: a station goes on with others.
var stationKeys = []struct {
	key string
	of  func(config.Station) any
}{
	{"port", func(s config.Station) any { return s.Port }},
	{"profile", func(s config.Station) any { return s.Profile }},
	{"window", func(s config.Station) any { return s.Window }},
	{"power", func(s config.Station) any { return s.Power }},
	{"vbus", func(s config.Station) any { return s.VBUS }},
	{"supply", func(s config.Station) any { return s.Supply }},
	{"vbus_meter", func(s config.Station) any { return s.VBUSMeter }},
	{"thermometer", func(s config.Station) any { return s.Thermometer }},
}

// compare finds what changes. A station whose own values and whose profile are
// the same goes on as it is, at most under another name.
func compare(old, next config.Config) difference {
	d := difference{
		begin: map[string]bool{}, keys: map[string][]string{}, rename: map[string]string{}, auto: map[string][]bench.Mode{},
		watch: old.USB != next.USB || !maps.Equal(portsOf(old), portsOf(next)),
	}
	was, is := byID(old), byID(next)
	for _, s := range old.Stations {
		if n, ok := is[s.ID]; !ok || len(changed(s, n)) > 0 {
			d.end = append(d.end, s.ID)
		}
	}
	for _, s := range next.Stations {
		o, ok := was[s.ID]
		keys := changed(o, s)
		switch {
		case !ok || len(keys) > 0:
			d.begin[s.ID] = true
			d.watch = d.watch || s.Port != ""
			if ok {
				d.keys[s.ID] = keys
			}
		default:
			d.goesOn(o, s)
		}
	}
	return d
}

// goesOn notes what changes on a station that goes on.
func (d *difference) goesOn(o, n config.Station) {
	if o.Name != n.Name {
		d.rename[n.ID] = n.Name
	}
	if !slices.Equal(o.Auto, n.Auto) {
		d.auto[n.ID] = n.Auto
	}
}

// changed lists the keys of a station that differ, but for its name and auto.
func changed(o, n config.Station) (keys []string) {
	for _, k := range stationKeys {
		if !reflect.DeepEqual(k.of(o), k.of(n)) {
			keys = append(keys, k.key)
		}
	}
	return keys
}

// pinned lists the keys that differ and that only a restart changes.
func pinned(began, next config.Config) (keys []string) {
	for _, f := range fixed {
		if f.of(began) != f.of(next) {
			keys = append(keys, f.key)
		}
	}
	return keys
}

// none reports that nothing that runs has to stop or start.
func (d difference) none() bool { return len(d.end) == 0 && len(d.begin) == 0 && !d.watch }

func byID(c config.Config) map[string]config.Station {
	out := map[string]config.Station{}
	for _, s := range c.Stations {
		out[s.ID] = s
	}
	return out
}

func portsOf(c config.Config) map[string]string {
	out := map[string]string{}
	for _, s := range c.Stations {
		if s.Port != "" {
			out[s.Port] = s.ID
		}
	}
	return out
}
