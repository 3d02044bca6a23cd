package config_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/config"
)

const small = `bench: north
listen: 127.0.0.1:1
usb: {rescan: 5s}
stations:
  - {id: s1, profile: handset, port: 1-2}
`

// given parses under flags and an environment.
func given(text string, flags, env map[string]string) (config.Config, error) {
	return config.Parse(strings.NewReader(text), "config.yaml", config.Options{
		Dir: "/etc/bench", Profiles: knownProfiles, Flags: flags, Env: func(name string) string { return env[name] },
	})
}

func TestFlagOverEnvironmentOverFileOverDefault(t *testing.T) {
	file := map[string]string{}
	env := map[string]string{"BENCHVIGIL_LISTEN": "127.0.0.1:2", "BENCHVIGIL_BENCH": "east", "BENCHVIGIL_USB_SCAN": "off", "BENCHVIGIL_PROFILES": ""}
	flags := map[string]string{"listen": "127.0.0.1:3"}
	for _, tc := range []struct {
		name       string
		flags, env map[string]string
		listen     string
		bench      string
		scan       time.Duration
	}{
		{"file", file, nil, "127.0.0.1:1", "north", time.Minute},
		{"environment", nil, env, "127.0.0.1:2", "east", 0},
		{"flag", flags, nil, "127.0.0.1:3", "north", time.Minute},
		{"both", flags, env, "127.0.0.1:3", "east", 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c, err := given(small, tc.flags, tc.env)
			if err != nil {
				t.Fatal(err)
			}
			if c.Listen != tc.listen || c.Bench != tc.bench || c.USB.Scan != tc.scan || c.USB.Rescan != 5*time.Second || c.USB.Sysfs != "/sys" {
				t.Errorf("got %+v", c)
			}
		})
	}
}

// A key that the file does not have at all, and a section that it does not
// have, can be given all the same.
func TestEveryKeyCanBeGiven(t *testing.T) {
	values := map[string]string{
		"bench": "south", "listen": "127.0.0.1:5", "profiles": "here", "inhibit_sleep": "false", "auto": "none", "traces.keep": "100h", "traces.size": "2 TB", "usb.sysfs": "/tree", "usb.rescan": "7s", "usb.scan": "8s",
		"link": "http://127.0.0.1:5", "contact": "mailto:a@shop.example", "heartbeat.url": "https://watcher.example/1", "heartbeat.every": "30s", "alerts.repeat": "off", "alerts.escalate": "1h",
		"tls.certificate": "/etc/site.pem", "tls.key": "/etc/site.key",
	}
	want := config.Config{
		Bench: "south", Listen: "127.0.0.1:5", Profiles: "here",
		USB: config.USB{Sysfs: "/tree", Rescan: 7 * time.Second, Scan: 8 * time.Second}, Traces: config.Traces{Keep: 100 * time.Hour, Size: 2_000_000_000_000},
		Link: "http://127.0.0.1:5/", Contact: "mailto:a@shop.example", Heartbeat: config.Heartbeat{URL: "https://watcher.example/1", Every: 30 * time.Second},
		Outlets: phonesAlone, Alerts: config.Alerts{Escalate: time.Hour}, TLS: config.TLS{Certificate: "/etc/site.pem", Key: "/etc/site.key"},
	}
	env, flags := map[string]string{}, map[string]string{}
	for _, key := range config.Keys() {
		if values[key] == "" {
			t.Errorf("key %s has no value in this test", key)
		}
		env[config.EnvName(key)], flags[key] = values[key], values[key]
	}
	for _, way := range []struct{ flags, env map[string]string }{{flags, nil}, {nil, env}} {
		got, err := given("stations:\n  - {id: s1, profile: handset, port: 1-2}\n", way.flags, way.env)
		if err != nil {
			t.Fatal(err)
		}
		got.Stations = nil
		if d := diff(want, got); d != "" {
			t.Error(d)
		}
	}
}

func TestMistakesNameTheWayTheyCame(t *testing.T) {
	env := map[string]string{"BENCHVIGIL_USB_RESCAN": "5", "BENCHVIGIL_BENCH": "My Bench"}
	_, err := given(small+"x: 1\n", map[string]string{"listen": "0.0.0.0:1"}, env)
	want := []string{
		`environment variable BENCHVIGIL_BENCH: bench: "My Bench" must be`,
		`flag --listen: listen: "0.0.0.0:1": listening beyond`,
		"environment variable BENCHVIGIL_USB_RESCAN: usb.rescan: 5 has no unit",
		"config.yaml:6: x: unknown key",
	}
	lines := strings.Split(err.Error(), "\n")
	slices.Sort(want)
	slices.Sort(lines)
	ok := len(lines) == len(want)
	for i := range want {
		ok = ok && strings.HasPrefix(lines[i], want[i])
	}
	if !ok {
		t.Error(cmp.Diff(want, lines))
	}
}

func TestFlagNames(t *testing.T) {
	if got := config.FlagName("usb.sysfs"); got != "--usb-sysfs" {
		t.Errorf("got %s", got)
	}
	if got := config.EnvName("usb.sysfs"); got != "BENCHVIGIL_USB_SYSFS" {
		t.Errorf("got %s", got)
	}
}

// folder writes a configuration and a profile to disk.
func folder(t *testing.T, text string) string {
	t.Helper()
	dir := t.TempDir()
	for name, content := range map[string]string{
		"config.yaml": text, "profiles/handset.yaml": "name: handset\nmodes: {running: {usb: [\"1209:0004\"]}}\n",
	} {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "config.yaml")
}

func TestShowSaysWhereEachValueCameFrom(t *testing.T) {
	path := folder(t, `bench: north
usb:
  rescan: 5s
stations:
  - id: s1
    profile: handset
    supply:
      address: 192.0.2.10
      every: 20ms
    thermometer:
      address: psu:23
      pattern: T=(?P<celsius>.+)
`)
	t.Setenv("BENCHVIGIL_USB_SCAN", "off")
	got, err := config.Show(path, map[string]string{"listen": "127.0.0.1:3"})
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Dir(path)
	want := strings.NewReplacer("DIR", dir, "FILE", path).Replace(`bench: north # FILE:1
listen: 127.0.0.1:3 # flag --listen
profiles: DIR/profiles # default
inhibit_sleep: true # default
auto: none # default
traces:
  keep: 8784h # default
  size: 10GB # default
usb:
  sysfs: /sys # default
  rescan: 5s # FILE:3
  scan: off # environment variable BENCHVIGIL_USB_SCAN
stations:
  - id: s1 # FILE:5
    name: s1 # default, the id
    profile: handset # FILE:6
    window: 3m30s # default, of profile handset
    power: supply # default
    vbus: false # default
    supply:
      address: 192.0.2.10 # FILE:8
      query: MEAS:VOLT?;CURR? # default
      every: 20ms # FILE:9
      timeout: 500ms # default
    thermometer:
      address: psu:23 # FILE:11
      pattern: T=(?P<celsius>.+) # FILE:12
      timeout: 30s # default
outlets:
  phones:
    kind: web-push # default
    timeout: 10s # default
    per_minute: 30 # default
alerts:
  repeat: 5m # default
  escalate: 10m # default
`)
	if d := cmp.Diff(want, string(got)); d != "" {
		t.Error(d)
	}
}

// What is shown is a configuration that means the same.
func TestShownReadsBack(t *testing.T) {
	path := folder(t, `bench: north
stations:
  - {id: 007, name: "null", profile: handset, port: 1-2, window: 1h, vbus: true, supply: {address: "[::1]:5025", volts_query: "V? #1", amps_query: "A?"}}
  - {id: s2, name: "yes: no # a", profile: handset, port: 1-3}
  - {id: s3, profile: handset, port: 1-4, power: battery, vbus: true, vbus_meter: {address: psu, select: INST:SEL A, temperature_query: "T?"}}
  - {id: s4, profile: handset, supply: {address: psu, kind: lines, pattern: "(?P<amps>#.+): (?P<volts>.+)"}}
`)
	shown, err := config.Show(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	first, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	again := filepath.Join(t.TempDir(), "again.yaml")
	if err := os.WriteFile(again, shown, 0o600); err != nil {
		t.Fatal(err)
	}
	second, err := config.Load(again)
	if err != nil {
		t.Fatalf("%v in\n%s", err, shown)
	}
	for i := range second.Stations {
		second.Stations[i].Profile = first.Stations[i].Profile
	}
	if d := diff(first, second); d != "" {
		t.Errorf("%s in\n%s", d, shown)
	}
}

// Every value of the reference configuration is shown, so none is forgotten.
func TestShowForgetsNothing(t *testing.T) {
	shown, err := config.Show("../../configs/benchvigil.yaml", nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"query:", "output_query:", "set_volts_query:", "limit_query:", "amps_query:", "port:", "vbus:"} {
		if !strings.Contains(string(shown), key) {
			t.Errorf("%s is not in\n%s", key, shown)
		}
	}
}

func TestShowOfABadOne(t *testing.T) {
	if _, err := config.Show(folder(t, "bench: North\n"), nil); err == nil || !strings.Contains(err.Error(), "config.yaml:1: bench") {
		t.Errorf("got %v", err)
	}
	if _, err := config.Show("nowhere.yaml", nil); err == nil {
		t.Error("a file that is not there was shown")
	}
}

// A variable that looks like ours and gives no key is named.
func TestStrangers(t *testing.T) {
	got := config.Strangers([]string{
		"HOME=/root", "BENCHVIGIL_EMPTY=", "BENCHVIGIL_LISTEN=127.0.0.1:1", "BENCHVIGIL_USB_SCAN=", "benchvigil_x=1",
		"BENCHVIGIL_LISTN=127.0.0.1:1", "BENCHVIGIL_USBRESCAN=5s", "BENCHVIGIL_SUPPLY=x",
	})
	for i, want := range []string{
		"environment variable BENCHVIGIL_LISTN means nothing: did you mean BENCHVIGIL_LISTEN?",
		"environment variable BENCHVIGIL_USBRESCAN means nothing: did you mean BENCHVIGIL_USB_RESCAN?",
		"environment variable BENCHVIGIL_SUPPLY means nothing: there are BENCHVIGIL_BENCH, BENCHVIGIL_LISTEN",
	} {
		if len(got) != 3 || !strings.HasPrefix(got[i], want) {
			t.Errorf("%d of %q, want %q", i, got, want)
		}
	}
}
