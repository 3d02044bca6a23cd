package config_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/config"
	"benchvigil/internal/profile"
	"benchvigil/internal/supply"
	"benchvigil/internal/unit"
	"benchvigil/internal/usb"
)

// handset stands for the profiles on disk.
var handset = &profile.Profile{Name: "handset", Window: 210 * time.Second}

func knownProfiles(string) (map[string]*profile.Profile, error) {
	return map[string]*profile.Profile{"handset": handset, "tablet": {Name: "tablet"}}, nil
}

func parse(text string) (config.Config, error) {
	return config.Parse(strings.NewReader(text), "config.yaml", config.Options{Dir: "/etc/bench", Profiles: knownProfiles})
}

// diff compares configurations; profiles are the same when they are the same
// pointer.
func diff(want, got config.Config) string {
	return cmp.Diff(want, got,
		cmp.Comparer(func(a, b *profile.Profile) bool { return a == b }),
		cmp.Comparer(func(a, b unit.Maybe[config.Supply]) bool { return a == b }))
}

// What concerns alerts when nothing is said of it.
var (
	phonesAlone   = []config.Outlet{{Name: "phones", Kind: config.WebPush, Timeout: 10 * time.Second, PerMinute: 30}}
	defaultAlerts = config.Alerts{Repeat: 5 * time.Minute, Escalate: 10 * time.Minute}
)

func TestDefaults(t *testing.T) {
	got, err := parse(`
bench: north
stations:
  - {id: s1, profile: handset, supply: {address: 192.0.2.10}}
  - {id: s2, profile: handset, port: 1-2}
`)
	if err != nil {
		t.Fatal(err)
	}
	want := config.Config{
		Bench:  "north",
		Listen: "127.0.0.1:8420", Profiles: "/etc/bench/profiles",
		USB: config.USB{Sysfs: "/sys", Rescan: 3 * time.Second, Scan: time.Minute}, InhibitSleep: true, Traces: config.Traces{Keep: 8784 * time.Hour, Size: 10_000_000_000},
		Outlets: phonesAlone, Alerts: defaultAlerts,
		Stations: []config.Station{
			{
				ID: "s1", Name: "s1", Profile: handset, Window: 210 * time.Second, Power: bench.FromSupply,
				Supply: unit.Some(config.Supply{
					Address: "192.0.2.10", Query: "MEAS:VOLT?;CURR?",
					Every: 100 * time.Millisecond, Timeout: 500 * time.Millisecond,
				}),
			},
			{ID: "s2", Name: "s2", Port: "1-2", Profile: handset, Window: 210 * time.Second, Power: bench.FromBattery},
		},
	}
	if d := diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestEveryKey(t *testing.T) {
	got, err := parse(`
bench: north-2
listen: "[::1]:0"
profiles: families
usb: {sysfs: tree, rescan: 500ms, scan: off}
stations:
  - id: 007
    name: Links, Platz 1
    port: 1-2.3
    profile: handset
    window: 1h
    power: supply
    vbus: true
    supply: &left
      address: tcp://psu.example:5024
      volts_query: "MEAS:VOLT?"
      amps_query: "MEAS:CURR?"
      output_query: "OUTP?"
      set_volts_query: "VOLT?"
      limit_query: "CURR?"
      every: 20ms
      timeout: 2s
`)
	if err != nil {
		t.Fatal(err)
	}
	want := config.Config{
		Bench:  "north-2",
		Listen: "[::1]:0", Profiles: "/etc/bench/families",
		USB: config.USB{Sysfs: "/etc/bench/tree", Rescan: 500 * time.Millisecond}, InhibitSleep: true, Traces: config.Traces{Keep: 8784 * time.Hour, Size: 10_000_000_000},
		Outlets: phonesAlone, Alerts: defaultAlerts,
		Stations: []config.Station{{
			ID: "007", Name: "Links, Platz 1", Port: "1-2.3", Profile: handset, Window: time.Hour,
			Power: bench.FromSupply, VBUS: true,
			Supply: unit.Some(config.Supply{
				Address: "tcp://psu.example:5024", VoltsQuery: "MEAS:VOLT?", AmpsQuery: "MEAS:CURR?",
				OutputQuery: "OUTP?", SetVoltsQuery: "VOLT?", LimitQuery: "CURR?",
				Every: 20 * time.Millisecond, Timeout: 2 * time.Second,
			}),
		}},
	}
	if d := diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestHookup(t *testing.T) {
	s := config.Station{Power: bench.FromSupply, VBUS: true, Port: "1-2"}
	if got, want := s.Hookup(), (bench.Hookup{Path: bench.FromSupply, VBUS: true, USB: true}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if (config.Station{}).Hookup().USB {
		t.Error("a station without a port is said to watch USB")
	}
}

// TestConfigsParse loads every configuration that is shipped.
func TestConfigsParse(t *testing.T) {
	files, err := filepath.Glob("../../configs/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("found %d files in configs (%v)", len(files), err)
	}
	for _, f := range files {
		if _, err := config.Load(f); err != nil {
			t.Error(err)
		}
	}
}

// TestReferenceShowsDefaults holds configs/benchvigil.yaml to its word that
// what it shows is the default: without those lines nothing changes.
func TestReferenceShowsDefaults(t *testing.T) {
	full := reference(t, func(string) bool { return true })
	short := reference(t, func(line string) bool {
		for _, key := range []string{"listen:", "profiles:", "usb:", "sysfs:", "rescan:", "scan:", "window:", "power: supply", "vbus:", "auto:", "query:", "every: 100ms", "timeout:"} {
			if strings.HasPrefix(strings.TrimSpace(line), key) && strings.Contains(line, "# optional") {
				return false
			}
		}
		return true
	})
	if d := diff(full, short); d != "" {
		t.Error(d)
	}
}

// reference parses those lines of the reference that keep wants.
func reference(t *testing.T, keep func(line string) bool) config.Config {
	t.Helper()
	text, err := os.ReadFile("../../configs/benchvigil.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for line := range strings.Lines(string(text)) {
		if keep(line) {
			b.WriteString(line)
		}
	}
	known := map[string]*profile.Profile{"invented-handset": handset}
	c, err := config.Parse(strings.NewReader(b.String()), "benchvigil.yaml", config.Options{
		Profiles: func(string) (map[string]*profile.Profile, error) { return known, nil },
	})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestReferenceOfAlerts reads what stands in comments there.
func TestReferenceOfAlerts(t *testing.T) {
	text, err := os.ReadFile("../../configs/benchvigil.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	_, alerts, _ := strings.Cut(string(text), "No customer's name is ever sent.\n")
	alerts, stations, _ := strings.Cut(alerts, "\nstations:\n")
	for line := range strings.Lines(alerts) {
		b.WriteString(strings.TrimPrefix(strings.TrimPrefix(line, "#"), " "))
	}
	known := map[string]*profile.Profile{"invented-handset": handset}
	c, err := config.Parse(strings.NewReader("bench: north\n"+b.String()+"\nstations:\n"+stations), "benchvigil.yaml", config.Options{
		Profiles: func(string) (map[string]*profile.Profile, error) { return known, nil },
		Secret:   func(string) ([]byte, error) { return []byte("chat://x"), nil },
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Outlets) != len(config.OutletKinds()) || len(c.People) != 2 || len(c.Alerts.Draw) != 1 || c.Heartbeat.URL == "" {
		t.Errorf("not all of it was read: %+v", c)
	}
}

// TestSupplyAgrees holds the checks and defaults of this package against those
// of the supply package, which has the last word but knows no line numbers.
func TestSupplyAgrees(t *testing.T) {
	defaults := []struct{ key, here, there any }{
		{"query", config.DefaultQuery, supply.DefaultQuery},
		{"every", config.DefaultEvery, supply.DefaultEvery},
		{"timeout", config.DefaultTimeout, supply.DefaultTimeout},
		{"timeout of lines", config.DefaultSilence, supply.DefaultSilence},
	}
	for _, d := range defaults {
		if d.here != d.there {
			t.Errorf("default of %s: %v here, %v in supply", d.key, d.here, d.there)
		}
	}
	for _, s := range []struct{ address, query string }{
		{"192.0.2.1", "MEAS:VOLT?;CURR?"},
		{"tcp://192.0.2.1", "V?"},
		{"tcp://192.0.2.1:5025", ":MEAS:VOLT? (@1);:MEAS:CURR? (@1)"},
		{"psu.example:1", "MEAS:CURR?;VOLT?"},
		{"psu_1", "OUTP ON"},
		{"[2001:db8::1]:5025", "MEAS:VOLT?;OUTP ON"},
		{"[2001:db8::1]", "MEAS:VOLT?;"},
		{"2001:db8::1", "?"},
		{"tcp://", "MEAS:VOLT?\n"},
		{"tcp://:5025", "MEAS:VÖLT?"},
		{"serial:///dev/ttyS0", strings.Repeat("A", 255) + "?"},
		{"psu:0", "VOLT?;CURR?"},
		{"psu:65536", "V?"},
		{"psu:scpi", "V?"},
		{"psu:5025:1", "V?"},
		{"a b", "V?"},
		{"[psu", "V?"},
		{"[psu]", "V?"},
		{"psu]", "V?"},
		{"serial:///dev/ttyUSB0?baud=115200&bits=7E2", "V?"},
		{"serial:///dev/serial/by-id/usb-1209_A+B@C,D:1.0", "V?"},
		{"serial://COM3?baud=300", "V?"},
		{"serial://", "V?"},
		{"serial://ttyUSB0", "V?"},
		{"serial:///dev/../etc/passwd", "V?"},
		{"serial:///dev/tty USB0", "V?"},
		{"serial:///dev/ttyUSB0/", "V?"},
		{"serial:///dev/ttyUSB0?", "V?"},
		{"serial:///dev/ttyUSB0?baud=0", "V?"},
		{"serial:///dev/ttyUSB0?baud=+9600", "V?"},
		{"serial:///dev/ttyUSB0?baud=4000001", "V?"},
		{"serial:///dev/ttyUSB0?baud=%39600", "V?"},
		{"serial:///dev/ttyUSB0?baud=%zz", "V?"},
		{"serial:///dev/ttyUSB0?baud=9600&baud=300", "V?"},
		{"serial:///dev/ttyUSB0?bits=8M1", "V?"},
		{"serial:///dev/ttyUSB0?bits=9N1", "V?"},
		{"serial:///dev/ttyUSB0?bits=8N1&speed=1", "V?"},
		{"usbtmc:///dev/usbtmc0", "V?"},
		{"usbtmc:///dev/../x", "V?"},
		{"usbtmc:///etc/x", "V?"},
		{"usbtmc://serial/PSU-1", "V?"},
		{"usbtmc://serial/", "V?"},
		{"usbtmc://serial/a b", "V?"},
		{"usbtmc://0", "V?"},
		{"gpib://7", "V?"},
	} {
		_, here := parse("bench: b\nstations:\n  - id: s1\n    profile: handset\n    supply:\n" +
			"      address: " + quote(s.address) + "\n      query: " + quote(s.query) + "\n")
		_, there := supply.New(supply.Options{Station: "s1", Address: s.address, Query: s.query})
		if (here == nil) != (there == nil) {
			t.Errorf("%q, %q:\nhere:   %v\nsupply: %v", s.address, s.query, here, there)
		}
	}
}

// TestSelectAgrees holds the commands that may be written against supply's.
func TestSelectAgrees(t *testing.T) {
	accepted := 0
	for _, s := range []string{
		"INST:NSEL 2", "INST:SEL CH2", "inst out_2", ":INSTRUMENT:NSELECT 1", "INSTrument:SELect P6V",
		"INST:STAT OFF", "INST:NSEL 2;OUTP OFF", "OUTP ON", "VOLT 5", "INST:NSEL", "INST:NSEL?", "INST:COUP:TRIG ALL", "INST:NSEL 2 ", "INSTR:NSEL 2",
		"INST:SEL " + strings.Repeat("X", 17),
	} {
		_, here := parse("bench: b\nstations:\n  - {id: s1, profile: handset, supply: {address: psu, select: " + quote(s) + "}}\n")
		_, there := supply.New(supply.Options{Station: "s1", Address: "psu", Select: s})
		if (here == nil) != (there == nil) {
			t.Errorf("%q:\nhere:   %v\nsupply: %v", s, here, there)
		}
		if here == nil {
			accepted++
		}
	}
	if accepted != 5 {
		t.Errorf("%d were accepted, want the first 5", accepted)
	}
}

// TestPatternAgrees holds the patterns of supplies and thermometers against
// supply's.
func TestPatternAgrees(t *testing.T) {
	for _, p := range []string{
		"(?P<volts>.+)", "(?P<millivolts>.+) (?P<milliamps>.+)", "(?P<amps>.+)( (?P<celsius>.+))?", "(?P<celsius>.+)",
		"(", ".+", "(?P<watts>.+)", "(?P<volts>.+)(?P<watts>.+)", "(?P<volts>.)(?P<millivolts>.)", "(?P<amps>.)(?P<milliamps>.)",
		"(?P<volts>.)|(?P<volts>..)", "(?<volts>.)", "(?P<volts>.)" + strings.Repeat("x", 1000),
	} {
		head := "bench: b\nstations:\n  - {id: s1, profile: handset, port: 1-2, "
		_, here := parse(head + "supply: {address: psu, kind: lines, pattern: '" + p + "'}}\n")
		_, there := supply.New(supply.Options{Station: "s1", Address: "psu", Pattern: p})
		if (here == nil) != (there == nil) {
			t.Errorf("supply, %q:\nhere:   %v\nsupply: %v", p, here, there)
		}
		_, here = parse(head + "thermometer: {address: psu, pattern: '" + p + "'}}\n")
		_, there = supply.New(supply.Options{Station: "s1", Address: "psu", Pattern: p, Channel: bench.ChannelThermometer})
		if (here == nil) != (there == nil) {
			t.Errorf("thermometer, %q:\nhere:   %v\nsupply: %v", p, here, there)
		}
	}
}

func TestMetersAndThermometers(t *testing.T) {
	got, err := parse(`
bench: north
stations:
  - id: s1
    port: 1-2
    profile: handset
    power: battery
    vbus: true
    vbus_meter: {address: "usbtmc:///dev/usbtmc0", select: "INST:NSEL 2", temperature_query: "MEAS:TEMP?"}
    thermometer: {address: "serial:///dev/ttyACM0", pattern: "(?P<celsius>.+)"}
  - id: s2
    profile: handset
    supply: {address: "usbtmc:///dev/usbtmc0", kind: scpi, select: "INST:NSEL 1"}
  - id: s3
    profile: handset
    supply: {address: "serial:///dev/ttyUSB0", kind: lines, pattern: "(?P<volts>.+) (?P<amps>.+)", timeout: 2s}
`)
	if err != nil {
		t.Fatal(err)
	}
	asked := config.Supply{Address: "usbtmc:///dev/usbtmc0", Query: config.DefaultQuery, Every: config.DefaultEvery, Timeout: config.DefaultTimeout}
	meter, second := asked, asked
	meter.Select, meter.TemperatureQuery, second.Select = "INST:NSEL 2", "MEAS:TEMP?", "INST:NSEL 1"
	want := []config.Station{
		{
			ID: "s1", Name: "s1", Port: "1-2", Profile: handset, Window: 210 * time.Second, Power: bench.FromBattery, VBUS: true,
			VBUSMeter: unit.Some(meter),
			Thermometer: unit.Some(config.Supply{
				Address: "serial:///dev/ttyACM0", Pattern: "(?P<celsius>.+)", Timeout: config.DefaultLull,
			}),
		},
		{ID: "s2", Name: "s2", Profile: handset, Window: 210 * time.Second, Power: bench.FromSupply, Supply: unit.Some(second)},
		{
			ID: "s3", Name: "s3", Profile: handset, Window: 210 * time.Second, Power: bench.FromSupply,
			Supply: unit.Some(config.Supply{
				Address: "serial:///dev/ttyUSB0", Pattern: "(?P<volts>.+) (?P<amps>.+)", Timeout: 2 * time.Second,
			}),
		},
	}
	if d := diff(config.Config{Stations: want}, config.Config{Stations: got.Stations}); d != "" {
		t.Error(d)
	}
}

// TestPortAgrees holds the port paths of this package against the watch's.
func TestPortAgrees(t *testing.T) {
	for _, port := range []string{
		"1-1", "1-2.3", "12-1.2.3.4.5.6", "1-1.2.3.4.5.6.7", "1-0", "0-1", "01-1", "1-01", "1000-1", "999-255", "1-256",
		"usb1", "1", "1-", "-1", "1-2.", "1-2/", "1-2:1.0", "1-2.3-4", "+1-2", "1-a", "1_2", "1-2 ",
	} {
		_, err := parse("bench: b\nstations:\n  - {id: s1, profile: handset, port: \"" + port + "\"}\n")
		if (err == nil) != usb.ValidPort(port) {
			t.Errorf("%q: %v here, valid %v in usb", port, err, usb.ValidPort(port))
		}
	}
}

func quote(s string) string { return `"` + strings.ReplaceAll(s, "\n", `\n`) + `"` }

func TestLoadMissingFile(t *testing.T) {
	_, err := config.Load(filepath.Join(t.TempDir(), "none.yaml"))
	if err == nil || !strings.HasPrefix(err.Error(), "open configuration: open ") {
		t.Errorf("got %v", err)
	}
}

func TestLoadTakesPathsFromTheFile(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "families", "a.yaml"), "name: alpha\nwindow: 90s\nmodes: {running: {amps: [0.1, 1]}}\n")
	write(t, filepath.Join(dir, "bench.yaml"), "bench: b\nprofiles: families\nusb: {sysfs: tree}\nstations: [{id: s1, profile: alpha}]\n")
	c, err := config.Load(filepath.Join(dir, "bench.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if c.Stations[0].Profile.Name != "alpha" || c.Stations[0].Window != 90*time.Second || c.USB.Sysfs != filepath.Join(dir, "tree") {
		t.Errorf("got %+v", c)
	}
}

// TestLoadBrokenProfile wants the profile's own errors, and no talk of an
// unknown profile that is only unreadable.
func TestLoadBrokenProfile(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "profiles", "a.yaml"), "name: alpha\nmode: {}\n")
	file := filepath.Join(dir, "bench.yaml")
	write(t, file, "bench: b\nstations: [{id: s1, profile: alpha}]\n")
	_, err := config.Load(file)
	if err == nil {
		t.Fatal("a broken profile was accepted")
	}
	for line := range strings.Lines(err.Error()) {
		if want := file + ":1: profiles: " + filepath.Join(dir, "profiles") + ": a.yaml:"; !strings.HasPrefix(line, want) {
			t.Errorf("got %q, want it to begin with %q", line, want)
		}
	}
}

func write(t *testing.T, file, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// Modes that arm by themselves on the whole bench, where the family has them,
// unless a station says otherwise.
func TestAuto(t *testing.T) {
	full := &profile.Profile{Name: "full", Modes: []profile.Spec{{Mode: bench.Restoring}, {Mode: bench.RePairing}}}
	part := &profile.Profile{Name: "part", Modes: []profile.Spec{{Mode: bench.RePairing}}}
	c, err := config.Parse(strings.NewReader(`
bench: north
auto: restoring, re-pairing
stations:
  - {id: s1, profile: full, port: 1-1}
  - {id: s2, profile: part, port: 1-2}
  - {id: s3, profile: full, port: 1-3, auto: none}
  - {id: s4, profile: full, port: 1-4, auto: "restoring,restoring"}
`), "config.yaml", config.Options{Profiles: func(string) (map[string]*profile.Profile, error) {
		return map[string]*profile.Profile{"full": full, "part": part}, nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string][]bench.Mode{"s1": {bench.Restoring, bench.RePairing}, "s2": {bench.RePairing}, "s3": nil, "s4": {bench.Restoring}}
	for _, s := range c.Stations {
		if d := cmp.Diff(want[s.ID], s.Auto); d != "" {
			t.Errorf("%s: %s", s.ID, d)
		}
	}
}
