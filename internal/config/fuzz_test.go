package config_test

import (
	"net"
	"net/netip"
	"os"
	"strings"
	"testing"

	"benchvigil/internal/bench"
	"benchvigil/internal/config"
	"benchvigil/internal/usb"
)

// FuzzParse wants every file either refused, each line of the error naming the
// file, or accepted with a configuration that keeps the package's promises.
func FuzzParse(f *testing.F) {
	reference, err := os.ReadFile("../../configs/benchvigil.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(string(reference))
	f.Add(good)
	f.Add(good + "listen: \"[::1]:0\"\nusb: {sysfs: x, rescan: 1s, scan: off}\n")
	f.Add("bench: n\nstations: [{id: a, profile: tablet, supply: &x {address: psu}}, {id: b, profile: tablet, supply: *x}]")
	f.Add(good + "    vbus: true\n    vbus_meter: {kind: lines, address: \"serial:///dev/a?baud=300\", pattern: '(?P<volts>.)'}\n" +
		"    thermometer: {address: b, pattern: '(?P<celsius>.)'}\n")
	f.Add("a: &a [*a]")
	f.Add("? {a: b}\n: c")
	f.Add("bench: !!binary aGVsbG8=\n<<: {listen: 1}")
	f.Add(told)
	f.Add("bench: &a n\noutlets: &o {a.b: {kind: service, url: *a}, <<: *o}\npeople: {\"\": {}}\nalerts: {hold: {dropped: 1s}, draw: [{outside: [1, 2]}]}\n")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := parseTold(text)
		if err != nil {
			for line := range strings.Lines(err.Error()) {
				if !strings.HasPrefix(line, "config.yaml:") {
					t.Errorf("%q does not name the file", line)
				}
			}
			return
		}
		host, _, err := net.SplitHostPort(c.Listen)
		if ip, _ := netip.ParseAddr(host); err != nil || host != "localhost" && !ip.IsLoopback() {
			t.Errorf("listens on %q", c.Listen)
		}
		if c.Bench == "" || len(c.Stations) == 0 || c.USB.Rescan <= 0 || c.USB.Scan < 0 {
			t.Errorf("incomplete: %+v", c)
		}
		ids, ports := map[string]bool{}, map[string]bool{}
		for _, s := range c.Stations {
			supply, supplied := s.Supply.Get()
			switch {
			case s.ID == "" || s.Name == "" || s.Profile == nil || s.Power == "":
				t.Errorf("incomplete: %+v", s)
			case ids[s.ID] || ports[s.Port] && s.Port != "":
				t.Errorf("not the only one: %+v", s)
			case s.Port != "" && !usb.ValidPort(s.Port):
				t.Errorf("port %q", s.Port)
			case supplied && (incomplete(supply) || s.Power == bench.FromBattery):
				t.Errorf("supply: %+v", supply)
			case s.VBUSMeter.Known() && (incomplete(s.VBUSMeter.Or(config.Supply{})) || !s.VBUS):
				t.Errorf("meter: %+v", s.VBUSMeter)
			case s.Thermometer.Known() && (incomplete(s.Thermometer.Or(config.Supply{})) || s.Thermometer.Or(config.Supply{}).Pattern == ""):
				t.Errorf("thermometer: %+v", s.Thermometer)
			}
			ids[s.ID], ports[s.Port] = true, true
		}
		checkTelling(t, c)
	})
}

// incomplete reports an instrument that is neither asked nor listened to, or
// not reached at all.
func incomplete(s config.Supply) bool {
	asks := s.Query != "" || s.VoltsQuery != "" || s.AmpsQuery != ""
	return s.Address == "" || s.Timeout <= 0 || asks == (s.Pattern != "") || asks != (s.Every > 0)
}

// checkTelling wants whatever tells people to be complete, and names to mean
// something.
func checkTelling(t *testing.T, c config.Config) {
	t.Helper()
	outlets, people := map[string]bool{}, map[string]bool{}
	for _, o := range c.Outlets {
		needsURL := o.Kind != config.WebPush && o.Kind != config.Email
		if o.Name == "" || outlets[o.Name] || o.Timeout <= 0 || o.PerMinute <= 0 || needsURL != (o.URL != "") ||
			(o.Kind == config.Email) != (o.Server != "" && o.From != "" && len(o.To) > 0) {
			t.Errorf("outlet: %+v", o)
		}
		outlets[o.Name] = true
	}
	for _, p := range c.People {
		if p.Name == "" || people[p.Name] || len(p.Outlets) == 0 {
			t.Errorf("person: %+v", p)
		}
		for _, name := range p.Outlets {
			if !outlets[name] {
				t.Errorf("%s is told by %q, which is none", p.Name, name)
			}
		}
		people[p.Name] = true
	}
	for _, r := range c.Alerts.Tell {
		for _, name := range append(r.Tell, r.Then...) {
			if !people[name] && !outlets[name] {
				t.Errorf("%q is told, who is nobody", name)
			}
		}
	}
	for _, d := range c.Alerts.Draw {
		if d.Name == "" || d.For <= 0 || d.Severity == "" || d.ChangedBy.Known() != (d.Within > 0) ||
			!d.Above.Known() && !d.Below.Known() && !d.Outside.Known() && !d.ChangedBy.Known() {
			t.Errorf("rule: %+v", d)
		}
	}
	if len(c.Outlets) == 0 || (c.Heartbeat.URL != "") != (c.Heartbeat.Every > 0) {
		t.Errorf("incomplete: %+v", c)
	}
}
