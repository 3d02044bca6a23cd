package profile_test

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

func parse(t *testing.T, s string) (*profile.Profile, error) {
	t.Helper()
	return profile.Parse(strings.NewReader(s), "p.yaml")
}

func TestShippedProfiles(t *testing.T) {
	got, err := profile.LoadDir(os.DirFS("../../configs/profiles"))
	if err != nil {
		t.Fatal(err)
	}
	p := got["invented-handset"]
	if p == nil {
		t.Fatalf("no invented-handset among %d profiles", len(got))
	}
	if p.StartsAbove != 30*unit.Milliampere || p.OffHigh() != 2*unit.Milliampere || p.OffFor != 150*time.Millisecond {
		t.Errorf("starts above %v, off up to %v for %v; want 30 mA, 2 mA, 150ms", p.StartsAbove, p.OffHigh(), p.OffFor)
	}
	want := &profile.Spec{
		Mode: bench.Restoring, Label: "restoring", USB: []bench.USBID{{Vendor: 0x1209, Product: 3}},
		Amps: unit.Some(profile.Band{Low: 200_000, High: 1_600_000}), Gap: time.Minute, Quiet: 2 * time.Minute,
		Traffic: unit.Some(profile.Rates{Low: 5, High: 2000}), Limit: 2500 * unit.Milliampere, Restarts: true,
		Typical: 12 * time.Minute, Most: 3 * time.Hour, Next: []profile.Follow{{Mode: bench.Running, Within: time.Minute}},
	}
	opts := cmp.AllowUnexported(unit.Maybe[profile.Band]{}, unit.Maybe[profile.Rates]{})
	if diff := cmp.Diff(want, p.Spec(bench.Restoring), opts); diff != "" {
		t.Errorf("restoring (-want +got):\n%s", diff)
	}
	if p.Label(bench.Loader) != "DFU" || p.Label(bench.Running) != "running" {
		t.Errorf("loader is called %q and running %q; want DFU and running", p.Label(bench.Loader), p.Label(bench.Running))
	}
}

func TestBandByPowerPath(t *testing.T) {
	p, err := parse(t, "name: x\nmodes: {running: {amps: [0.1, 1], amps_with_vbus: [0, 0.6]}}")
	if err != nil {
		t.Fatal(err)
	}
	s := p.Spec(bench.Running)
	for _, tc := range []struct {
		h    bench.Hookup
		want profile.Band
		ok   bool
	}{
		{bench.Hookup{Path: bench.FromSupply}, profile.Band{Low: 100_000, High: 1_000_000}, true},
		{bench.Hookup{Path: bench.FromSupply, VBUS: true}, profile.Band{High: 600_000}, true},
		{bench.Hookup{Path: bench.FromBattery}, profile.Band{}, false},
	} {
		if got, ok := s.Band(tc.h); got != tc.want || ok != tc.ok {
			t.Errorf("Band(%+v) = %v, %v; want %v, %v", tc.h, got, ok, tc.want, tc.ok)
		}
	}
}

func TestRefused(t *testing.T) {
	for _, tc := range []struct{ name, in, want string }{
		{"empty", "", "the file is empty"},
		{"not yaml", "name: [", "did not find expected"},
		{"no name", "modes: {running: {}}", "p.yaml:1:1: name is missing"},
		{"no modes", "name: x", "modes is missing"},
		{"unknown key", "name: x\nwindows: 3s\nmodes: {}", `p.yaml:2:1: unknown key "windows"`},
		{"unknown mode", "name: x\nmodes: {restore: {}}", `p.yaml:2:9: unknown key "restore" in modes`},
		{"no unit", "name: x\nwindow: 210\nmodes: {}", `p.yaml:2:9: "210" is not a duration`},
		{"band backwards", "name: x\nmodes: {running: {amps: [2, 1]}}", "ends below it"},
		{"band of one", "name: x\nmodes: {running: {amps: [2]}}", "want two numbers"},
		{"bad amps", "name: x\nmodes: {running: {amps: [a, 1]}}", `p.yaml:2:26: "a" is not a number of amperes`},
		{"bad id", "name: x\nmodes: {running: {usb: [\"12090004\"]}}", "is not a USB identity"},
		{"dwell", "name: x\nmodes: {starting: {dwell: {typical: 9s, most: 5s}}}", "typical 9s is longer than most 5s"},
		{"next", "name: x\nmodes: {restoring: {next: {running: 5s}}}", "next names running"},
		{"twice", "name: x\nname: y\nmodes: {}", "name is given twice"},
		{"restarts", "name: x\nmodes: {running: {restarts: maybe}}", "want expected or unexpected"},
		{"start inside off", "name: x\nstarts_above: 0.001\nmodes: {off: {amps: [0, 0.002]}}", "lies inside the off band"},
		{"list", "- a", "a profile must be a mapping"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := parse(t, tc.in)
			if err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("got %v, want an error with %q", err, tc.want)
			}
		})
	}
}

func TestAllErrorsTogether(t *testing.T) {
	_, err := parse(t, "name: x\nwindow: 1\ngap: 2\nmodes: {}")
	if err == nil || strings.Count(err.Error(), "is not a duration") != 2 {
		t.Errorf("got %v, want both durations named", err)
	}
}

func FuzzParse(f *testing.F) {
	b, err := os.ReadFile("../../configs/profiles/invented-handset.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte("name: x\nmodes: {running: {usb: [\"1209:0004\"], amps: [0, 1]}}"))
	f.Add([]byte("a: &a [*a]"))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := profile.Parse(strings.NewReader(string(b)), "fuzz")
		if err != nil {
			return
		}
		if p.Name == "" || p.Modes[0].Mode != bench.Off || p.StartsAbove < p.OffHigh() {
			t.Errorf("accepted %q as %+v", b, p)
		}
	})
}
