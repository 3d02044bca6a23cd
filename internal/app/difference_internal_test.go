package app

import (
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"benchvigil/internal/bench"
	"benchvigil/internal/config"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

// some makes a configuration of two stations, fresh down to the profile, as
// every loading does.
func some(change func(*config.Config)) config.Config {
	p := &profile.Profile{Name: "handset", Window: time.Minute, Modes: []profile.Spec{{Mode: "running"}}}
	c := config.Config{
		Bench: "north", Listen: "127.0.0.1:1", USB: config.USB{Rescan: time.Second},
		Stations: []config.Station{
			{ID: "s1", Port: "1-1", Profile: p, Supply: unit.Some(config.Supply{Address: "192.0.2.1"})},
			{ID: "s2", Profile: p, Supply: unit.Some(config.Supply{Address: "192.0.2.2"})},
		},
	}
	if change != nil {
		change(&c)
	}
	return c
}

func TestCompare(t *testing.T) {
	type d struct {
		End, Begin []string
		Watch      bool
		Pinned     []string
		Keys       map[string][]string
		Rename     map[string]string
		Auto       map[string][]bench.Mode
	}
	for _, tc := range []struct {
		name   string
		change func(*config.Config)
		want   d
	}{
		{"nothing", nil, d{}},
		{"the order", func(c *config.Config) { slices.Reverse(c.Stations) }, d{}},
		{"the folder of the same profiles", func(c *config.Config) { c.Profiles = "/elsewhere" }, d{}},
		{"a supply", func(c *config.Config) {
			c.Stations[1].Supply = unit.Some(config.Supply{Address: "192.0.2.3"})
		}, d{End: []string{"s2"}, Begin: []string{"s2"}, Keys: map[string][]string{"s2": {"supply"}}}},
		{"a station with a port", func(c *config.Config) {
			c.Stations[0].Window, c.Stations[0].Name = time.Hour, "Left"
		}, d{End: []string{"s1"}, Begin: []string{"s1"}, Watch: true, Keys: map[string][]string{"s1": {"window"}}}},
		{"only a name", func(c *config.Config) { c.Stations[0].Name = "Left" }, d{Rename: map[string]string{"s1": "Left"}}},
		{"only what arms by itself", func(c *config.Config) { c.Stations[0].Auto = []bench.Mode{bench.Restoring} }, d{
			Auto: map[string][]bench.Mode{"s1": {bench.Restoring}},
		}},
		{"a profile", func(c *config.Config) {
			p := *c.Stations[1].Profile
			p.Modes = []profile.Spec{{Mode: "restoring"}}
			c.Stations[1].Profile = &p
		}, d{End: []string{"s2"}, Begin: []string{"s2"}, Keys: map[string][]string{"s2": {"profile"}}}},
		{"added without a port", func(c *config.Config) {
			c.Stations = append(c.Stations, config.Station{ID: "s3", Profile: c.Stations[0].Profile})
		}, d{Begin: []string{"s3"}}},
		{"removed with its port", func(c *config.Config) { c.Stations = c.Stations[1:] }, d{End: []string{"s1"}, Watch: true}},
		{"removed without", func(c *config.Config) { c.Stations = c.Stations[:1] }, d{End: []string{"s2"}}},
		{"rescan", func(c *config.Config) { c.USB.Rescan = 2 * time.Second }, d{Watch: true}},
		{"what is pinned", func(c *config.Config) {
			c.Listen, c.Bench, c.InhibitSleep = "127.0.0.1:2", "south", true
		}, d{Pinned: []string{"bench", "listen", "inhibit_sleep"}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			old, next := some(nil), some(tc.change)
			got := compare(old, next)
			begin := []string(nil)
			for _, s := range next.Stations {
				if got.begin[s.ID] {
					begin = append(begin, s.ID)
				}
			}
			if diff := cmp.Diff(tc.want, d{got.end, begin, got.watch, pinned(old, next), got.keys, got.rename, got.auto}, cmpopts.EquateEmpty()); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if got.none() != (len(tc.want.End) == 0 && len(tc.want.Begin) == 0 && !tc.want.Watch) {
				t.Errorf("none is %v", got.none())
			}
		})
	}
}

// Every field of a configuration either takes effect at a reload or is said to
// need a restart: a new one must not be forgotten.
func TestEveryFieldIsMinded(t *testing.T) {
	minded := map[string]bool{
		"Profiles": true, // its content is compared, station by station
		// The desk takes these anew at each reload.
		"Link": true, "Contact": true, "Heartbeat": true, "Outlets": true, "People": true, "Alerts": true,
	}
	began := some(nil)
	for i := range reflect.TypeFor[config.Config]().NumField() {
		f := reflect.TypeFor[config.Config]().Field(i)
		if minded[f.Name] {
			continue
		}
		next := some(nil)
		v := reflect.ValueOf(&next).Elem().Field(i)
		switch f.Name {
		case "Stations":
			next.Stations = next.Stations[:1]
		case "USB":
			next.USB.Scan = time.Hour
		case "TLS":
			next.TLS.Key = "other.key"
		case "Traces":
			next.Traces.Keep = time.Hour
		default:
			v.Set(other(t, v))
		}
		if compare(began, next).none() && len(pinned(began, next)) == 0 {
			t.Errorf("a change of %s goes unnoticed: add it to fixed or to compare", f.Name)
		}
	}
}

// Every field of a station takes effect: one that changed is named, or is its
// name or auto, or finds the station.
func TestEveryFieldOfAStationIsMinded(t *testing.T) {
	known := map[string]bool{"ID": true, "Name": true, "Auto": true}
	for _, k := range stationKeys {
		known[strings.ReplaceAll(k.key, "_", "")] = true
	}
	for i := range reflect.TypeFor[config.Station]().NumField() {
		f := reflect.TypeFor[config.Station]().Field(i)
		if !known[f.Name] && !known[strings.ToLower(f.Name)] {
			t.Errorf("a change of %s goes unnoticed: add it to stationKeys", f.Name)
		}
	}
	if len(known) != reflect.TypeFor[config.Station]().NumField() {
		t.Errorf("known are %v, more than a station has", known)
	}
}

// other is another value of the same type.
func other(t *testing.T, v reflect.Value) reflect.Value {
	t.Helper()
	switch v.Kind() {
	case reflect.String:
		return reflect.ValueOf(v.String() + "x")
	case reflect.Bool:
		return reflect.ValueOf(!v.Bool())
	}
	t.Fatalf("this test knows no other %v", v.Type())
	return v
}
