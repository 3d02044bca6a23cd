package config_test

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/config"
)

func TestWithStation(t *testing.T) {
	port := config.Entry{ID: "new", Port: "1-9", Profile: "handset"}
	full := config.Entry{
		ID: "new", Name: "New: 1", Port: "1-9", Profile: "handset", VBUS: true,
		Address: "tcp://192.0.2.1:5025", Query: "MEAS:VOLT?;:MEAS:CURR?",
	}
	for _, tc := range []struct {
		name, text string
		e          config.Entry
		want       string
	}{
		{"to nothing", "", port, "stations:\n  - id: new\n    port: 1-9\n    profile: handset\n"},
		{
			"to a head", "# mine\nbench: north", full,
			"# mine\nbench: north\nstations:\n  - id: new\n    name: 'New: 1'\n    port: 1-9\n    profile: handset\n    vbus: true\n" +
				"    supply:\n      address: tcp://192.0.2.1:5025\n      query: MEAS:VOLT?;:MEAS:CURR?\n",
		},
		{"to an empty key", "stations:   # none yet\nbench: north\n", port, "stations:   # none yet\n  - id: new\n    port: 1-9\n    profile: handset\nbench: north\n"},
		{"to an empty list", "stations: []  # none\nbench: north\n", port, "stations:   # none\n  - id: new\n    port: 1-9\n    profile: handset\nbench: north\n"},
		{
			"behind others, before what follows",
			"stations:\n# a comment\n- id: a   # the first\n  port: 1-1\n\n# of usb\nusb:\n  rescan: 3s\n", port,
			"stations:\n# a comment\n- id: a   # the first\n  port: 1-1\n- id: new\n  port: 1-9\n  profile: handset\n\n# of usb\nusb:\n  rescan: 3s\n",
		},
		{
			"behind a flow entry, with the file's line ends",
			"stations:\r\n    - {id: a, port: 1-1}\r\n", port,
			"stations:\r\n    - {id: a, port: 1-1}\r\n    - id: new\r\n      port: 1-9\r\n      profile: handset\r\n",
		},
		{
			"changes one, keeps its other keys and comments",
			"stations:\n  # before\n  - id: new   # mine\n    window: 5m # long\n    # a cell\n    power: battery\n    profile: old\n  # behind\n  - id: z\n", full,
			"stations:\n  # before\n  - id: new # mine\n    window: 5m # long\n    profile: handset\n    name: 'New: 1'\n    port: 1-9\n    vbus: true\n" +
				"    supply:\n      address: tcp://192.0.2.1:5025\n      query: MEAS:VOLT?;:MEAS:CURR?\n  # behind\n  - id: z\n",
		},
		{
			"takes out what is gone", "stations:\n  - {id: new, name: N, port: 1-1, profile: a, supply: {address: x, every: 1s}}\n",
			config.Entry{ID: "new", Profile: "b"},
			"stations:\n  - {id: new, name: N, profile: b}\n",
		},
		{
			"changes the question, keeps the rest of a supply",
			"stations:\n  - id: new\n    supply:\n      address: x # old\n      query: A?\n      every: 1s\n",
			config.Entry{ID: "new", Profile: "b", Address: "y", VoltsQuery: "V?", AmpsQuery: "C?"},
			"stations:\n  - id: new\n    supply:\n      address: y # old\n      every: 1s\n      volts_query: V?\n      amps_query: C?\n    profile: b\n",
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := config.WithStation([]byte(tc.text), tc.e)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(tc.want, string(got)); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
}

func TestWithStationRefuses(t *testing.T) {
	for _, text := range []string{"stations: [{id: a}]\n", "stations: many\n", "a: [\n", "\tx: y"} {
		if got, err := config.WithStation([]byte(text), config.Entry{ID: "new"}); err == nil {
			t.Errorf("%q became %q", text, got)
		}
	}
}

// The reference keeps every line of its own, and what is added reads back.
func TestWithStationOnTheReference(t *testing.T) {
	text, err := os.ReadFile("../../configs/benchvigil.yaml")
	if err != nil {
		t.Fatal(err)
	}
	got, err := config.WithStation(text, config.Entry{ID: "new", Port: "2-7", Profile: "invented-handset", Address: "192.0.2.77", Query: "MEAS:VOLT?;CURR?"})
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.HasPrefix(got, bytes.TrimRight(text, "\n")) {
		t.Error("the lines that were there have changed")
	}
	c, err := config.Parse(bytes.NewReader(got), "x.yaml", config.Options{Dir: "../../configs"})
	if err != nil {
		t.Fatal(err)
	}
	last := c.Stations[len(c.Stations)-1]
	if s, ok := last.Supply.Get(); last.ID != "new" || last.Port != "2-7" || !ok || s.Address != "192.0.2.77" {
		t.Errorf("read back as %+v", last)
	}
	// Each station of the reference can be changed too, and nothing is lost.
	for _, st := range c.Stations {
		changed, err := config.WithStation(got, config.Entry{ID: st.ID, Port: st.Port, Profile: st.Profile.Name, VBUS: st.VBUS})
		if err != nil {
			t.Fatal(err)
		}
		again, err := config.Parse(bytes.NewReader(changed), "x.yaml", config.Options{Dir: "../../configs"})
		if err != nil {
			t.Fatalf("%s: %v\n%s", st.ID, err, changed)
		}
		if len(again.Stations) != len(c.Stations) {
			t.Errorf("%s: %d stations, want %d", st.ID, len(again.Stations), len(c.Stations))
		}
	}
}

func TestReadDraft(t *testing.T) {
	d, err := config.ReadDraft([]byte("bench: north\nusb: {sysfs: tree, colour: red}\nstations:\n  - {id: a, port: 1-2, supply: {address: x, every: 1s}}\n  - {}\n"))
	want := config.Draft{Bench: "north", Profiles: "profiles", Sysfs: "tree", Stations: []config.DraftStation{{ID: "a", Port: "1-2", Address: "x"}, {}}}
	if diff := cmp.Diff(want, d); diff != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
	if d, err := config.ReadDraft([]byte("bench: north\nstations:\n  - {id: a, supply: [x]}\n")); err != nil || d.Bench != "north" {
		t.Errorf("a supply in the wrong shape: %+v, %v", d, err)
	}
	if d, err := config.ReadDraft(nil); err != nil || d.Sysfs != "/sys" {
		t.Errorf("nothing reads as %+v, %v", d, err)
	}
	if _, err := config.ReadDraft([]byte("a: [")); err == nil {
		t.Error("no error about what is no YAML")
	}
}

// Whatever is there, an addition that succeeds keeps every line of it, and
// never panics.
func FuzzWithStation(f *testing.F) {
	for _, s := range []string{
		"", "bench: a\n", "stations:\n- id: a\n", "stations: []", "stations:\n  - {id: new}\n", "stations:\n  -\n    id: a\n  # x\n",
		"stations: &a\n  - id: b\n  - *a\n", "stations:\n  - - id\n", "---\nstations:\n...\n", "? stations\n: - id: a\n", "{stations: [\n]}",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		got, err := config.WithStation([]byte(text), config.Entry{ID: "n-e-w", Profile: "p", Port: "1-2"})
		if err != nil || strings.Contains(text, "n-e-w") {
			return
		}
		if written(string(got)) < written(text)+3 {
			t.Errorf("%q became %q", text, got)
		}
	})
}

// written counts the lines that are not blank.
func written(text string) (n int) {
	for line := range strings.Lines(text) {
		if strings.TrimSpace(line) != "" {
			n++
		}
	}
	return n
}
