package app

import (
	"maps"
	"reflect"

	"benchvigil/internal/config"
)

// difference is what has to be done when one configuration follows another.
type difference struct {
	end   []string        // stations that are gone or changed
	begin map[string]bool // stations that are new or changed
	watch bool            // the ports have to be watched anew
}

// fixed are the keys that only a restart changes.
var fixed = []struct {
	key string
	of  func(config.Config) any
}{
	{"bench", func(c config.Config) any { return c.Bench }},
	{"listen", func(c config.Config) any { return c.Listen }},
	{"inhibit_sleep", func(c config.Config) any { return c.InhibitSleep }},
}

// compare finds what changes. A station whose own values and whose profile are
// the same goes on as it is.
func compare(old, next config.Config) difference {
	d := difference{begin: map[string]bool{}, watch: old.USB != next.USB || !maps.Equal(portsOf(old), portsOf(next))}
	was, is := byID(old), byID(next)
	for _, s := range old.Stations {
		if n, ok := is[s.ID]; !ok || !reflect.DeepEqual(s, n) {
			d.end = append(d.end, s.ID)
		}
	}
	for _, s := range next.Stations {
		if o, ok := was[s.ID]; !ok || !reflect.DeepEqual(o, s) {
			d.begin[s.ID] = true
			d.watch = d.watch || s.Port != ""
		}
	}
	return d
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

// none reports that nothing has to be done.
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
