package config_test

import (
	"net"
	"net/netip"
	"os"
	"strings"
	"testing"

	"benchvigil/internal/bench"
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
	f.Add("a: &a [*a]")
	f.Add("? {a: b}\n: c")
	f.Add("bench: !!binary aGVsbG8=\n<<: {listen: 1}")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := parse(text)
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
			case supplied && (supply.Every <= 0 || supply.Timeout <= 0 || supply.Address == "" || s.Power == bench.FromBattery):
				t.Errorf("supply: %+v", supply)
			}
			ids[s.ID], ports[s.Port] = true, true
		}
	})
}
