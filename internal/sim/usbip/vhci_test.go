package usbip

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

// As printed by drivers/usb/usbip/vhci_sysfs.c (kernel 6.1), shortened to two
// ports of each kind of the second controller.
const statusText = `hub port sta spd dev      sockfd local_busid
hs  0030 006 003 00010020 000003 3-1
hs  0031 004 000 00000000 000000 0-0
ss  0045 004 000 00000000 000000 0-0
ss  0046 004 000 00000000 000000 0-0
`

func TestParseStatus(t *testing.T) {
	got, err := parseStatus(statusText)
	if err != nil {
		t.Fatal(err)
	}
	want := []portStatus{{Number: 30, State: 6}, {Number: 31, State: 4}, {Super: true, Number: 45, State: 4}, {Super: true, Number: 46, State: 4}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
	if p, err := highSpeed(got, 1); err != nil || p.Number != 31 {
		t.Errorf("high-speed port 1 = %+v, %v; want number 31", p, err)
	}
	if p, err := highSpeed(got, 2); err == nil {
		t.Errorf("high-speed port 2 = %+v, want an error", p)
	}
	if line := attachLine(31, 7); line != "31 7 65569 3" {
		t.Errorf("attach line %q", line)
	}
}

func TestParseStatusRefuses(t *testing.T) {
	for _, text := range []string{"hs", "xx 0000 004", "hs zero 004", "hs 0000 free"} {
		if got, err := parseStatus(text); err == nil {
			t.Errorf("parseStatus(%q) = %+v, want an error", text, got)
		}
	}
}

func FuzzParseStatus(f *testing.F) {
	f.Add(statusText)
	f.Add("hs 1 2")
	f.Fuzz(func(t *testing.T, text string) {
		ports, err := parseStatus(text)
		if err == nil && len(ports) > len(text) {
			t.Errorf("%d ports from %d bytes", len(ports), len(text))
		}
	})
}
