package profile_test

import (
	"bytes"
	"fmt"
	"io/fs"
	"strings"
	"testing"

	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

func hints(t *testing.T, in string) string {
	t.Helper()
	_, hints, err := profile.Examine(strings.NewReader(in), "p.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for _, h := range hints {
		fmt.Fprintf(&b, "%d:%d %s\n", h.Line, h.Column, h.Text)
	}
	return b.String()
}

func TestHints(t *testing.T) {
	const standby = "name: x\nmodes:\n  standby: {amps: [0.002, 0.03]}\n"
	for _, tc := range []struct{ name, in, want string }{
		{"nothing to say", standby + `  running: {usb: ["1209:0004"], amps: [0.08, 1.8]}`, ""},
		{
			"same identity, bands overlap",
			standby + "  recovery: {usb: [\"1209:0002\"], amps: [0.2, 0.6]}\n  restoring: {usb: [\"1209:0002\"], amps: [0.4, 1.6]}",
			"5:41 recovery and restoring both show 1209:0002, and their bands overlap from 400 mA to 600 mA",
		},
		{
			"nothing on the bus, bands overlap",
			standby + "  re-pairing: {amps: [0.2, 0.6]}\n  running: {amps: [0.5, 1.6]}",
			"5:19 re-pairing and running both show nothing on the bus, and their bands overlap from 500 mA to 600 mA",
		},
		{"bands that only touch", standby + "  re-pairing: {amps: [0.2, 0.6]}\n  running: {amps: [0.6, 1.6]}", ""},
		{"identities tell", standby + "  recovery: {usb: [\"1209:0002\"], amps: [0.2, 0.6]}\n  running: {amps: [0.2, 0.6]}", ""},
		{
			"the start inside a band", standby + "  running: {amps: [0.02, 1.6]}",
			"4:19 running may draw 20.00 mA, but a run begins above starts_above, 30.00 mA",
		},
		{"the start inside the band of what the bus shows", standby + "  asleep: {usb: [\"1209:0004\"], amps: [0.004, 0.06]}", ""},
		{
			"a short window", "name: x\nwindow: 30s\nmodes: {starting: {dwell: {most: 60s}}}",
			"2:9 the window of 30s is shorter than starting may last, 1m0s\n",
		},
		{
			"a short window from power", "name: x\nwindow: 30s\nwindow_from: power\nmodes: {starting: {dwell: {most: 60s}}}",
			"it can be met before the board has started",
		},
		{
			"neither bus nor current", standby + "  loader: {label: DFU}",
			"4:11 loader has neither usb nor amps: at best a mark can show it",
		},
		{
			"shadowed", standby + "  re-pairing: {usb: [\"1209:0004\"], amps: [0.2, 0.6]}\n  running: {usb: [\"1209:0004\"], amps: [0.1, 1]}",
			"4:15 re-pairing shows nothing that running does not show as well: at best a mark can show it",
		},
		{
			"no room for standby", "name: x\nmodes:\n  off: {amps: [0, 0.03]}\n  standby: {amps: [0, 0.03]}",
			"4:12 no reading can show standby: off ends at 30.00 mA and a run begins above 30.00 mA",
		},
		{
			"more from bus power than any port", `{name: x, modes: {running: {amps: [0.1, 2.4], amps_with_vbus: [0, 0.8]}}}`,
			"1:63 bus power is said to relieve the supply by 1.600 A in running: a port gives up to 900 mA (USB 3.2 section 11.4), which is 1.575 A at 3.000 V",
		},
		{
			"more than a USB 2.0 port", `{name: x, modes: {running: {amps: [0.1, 1.8], amps_with_vbus: [0, 0.9]}}}`,
			"a USB 2.0 port gives up to 500 mA (section 7.2.1), which is 875 mA at 3.000 V",
		},
		{
			"more than a device may take before it is configured", `{name: x, modes: {starting: {amps: [0.1, 1.2], amps_with_vbus: [0, 0.6]}}}`,
			"one unit load, 150 mA at most (USB 3.2 section 11.4), which is 262 mA at 3.000 V",
		},
		{
			"more than a suspended device", `{name: x, modes: {asleep: {usb: ["1209:0004"], amps: [0.01, 0.06], amps_with_vbus: [0, 0.05]}}}`,
			"a suspended device may take 2.5 mA (USB 3.2 section 11.4.3), which is 4.38 mA at 3.000 V",
		},
		{
			"bus power as a burden", `{name: x, modes: {running: {amps: [0.1, 1], amps_with_vbus: [0, 1.2]}}}`,
			"bus power can only relieve the supply",
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := hints(t, tc.in)
			if (tc.want == "") != (got == "") || !strings.Contains(got, tc.want) {
				t.Errorf("got %q, want %q", got, tc.want)
			}
		})
	}
}

func TestExamineRefuses(t *testing.T) {
	if _, _, err := profile.Examine(strings.NewReader("name: x\nmodes: {running: {amps: 5}}"), "p.yaml"); err == nil ||
		!strings.Contains(err.Error(), "p.yaml:2:25: want two numbers") {
		t.Errorf("got %v", err)
	}
}

// USB 2.0 section 7.2.1 (100 mA a unit load, five of them for a high-power
// device), USB 3.2 section 11.4 (150 mA, six) and 11.4.3 (2.5 mA).
func TestPortFacts(t *testing.T) {
	for _, tc := range []struct {
		name      string
		got, want unit.Current
	}{
		{"USB 2.0 unit load", profile.UnitLoad2, 100_000},
		{"USB 2.0 high power", profile.HighPower2, 500_000},
		{"USB 3.x unit load", profile.UnitLoad3, 150_000},
		{"USB 3.x high power", profile.HighPower3, 900_000},
		{"suspended", profile.Suspended, 2_500},
	} {
		if tc.got != tc.want {
			t.Errorf("%s: %v, want %v", tc.name, tc.got, tc.want)
		}
	}
}

// No shipped family claims more from the bus than a port may give, and every
// mode of theirs can be shown, by a mark if by nothing else.
func TestFamiliesWithinPortLimits(t *testing.T) {
	files, err := fs.Glob(shipped, "family-*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, f := range files {
		b, err := fs.ReadFile(shipped, f)
		if err != nil {
			t.Fatal(err)
		}
		p, hints, err := profile.Examine(bytes.NewReader(b), f)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range p.Modes {
			if s.WithVBUS.Known() {
				checked++
			}
		}
		for _, h := range hints {
			for _, not := range []string{"bus power", "neither usb nor amps", "no reading can show", "shorter than starting", "a run begins above"} {
				if strings.Contains(h.Text, not) {
					t.Errorf("%s:%d: %s", f, h.Line, h.Text)
				}
			}
		}
	}
	if checked < len(files) {
		t.Errorf("only %d bands with bus power were looked at", checked)
	}
}
