package usb_test

import (
	"bufio"
	"os"
	"strings"
	"testing"
	"testing/synctest"

	"benchvigil/internal/bench"
	"benchvigil/internal/usb/usbtest"
)

// rows returns the identities and names of a file in the form of usb.ids:
// "vvvv  vendor", then a tab and "pppp  device" for each of its devices.
func rows(t *testing.T, file string) map[string]string {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close() //nolint:errcheck // opened for reading only
	m, vendor := map[string]string{}, ""
	for s := bufio.NewScanner(f); s.Scan(); {
		line, isDevice := strings.CutPrefix(s.Text(), "\t")
		number, name, ok := strings.Cut(line, "  ")
		switch {
		case !ok || strings.HasPrefix(line, "#"):
		case isDevice:
			m[vendor+":"+number] = name
		default:
			vendor = number
		}
	}
	return m
}

// An identity published in usb.ids is told exactly as it is written there,
// from sysfs through bench.
func TestPublishedIdentities(t *testing.T) {
	ids := rows(t, "testdata/usb.ids")
	for key, name := range map[string]string{
		"05ac:1227": "Mobile Device (DFU Mode)",
		"05ac:1281": "Apple Mobile Device [Recovery Mode]",
		"18d1:4ee0": "Nexus/Pixel Device (fastboot)",
		"05c6:9008": "Gobi Wireless Modem (QDL mode)",
		"0e8d:2000": "MT65xx Preloader",
		"2207:281a": "RK2818 in Mask ROM mode",
	} {
		if ids[key] != name {
			t.Fatalf("testdata/usb.ids: %s is %q, want %q", key, ids[key], name)
		}
	}
	for key, name := range ids {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t)
			r.run()
			r.take()
			vendor, product, _ := strings.Cut(key, ":")
			r.tree.Plug("1-1", r.device(running, ""))
			r.tree.Set(usbtest.Attribute("1-1", "idVendor"), vendor+"\n")
			r.tree.Set(usbtest.Attribute("1-1", "idProduct"), product+"\n")
			r.say("add", "1-1")
			r.want("0.000 s1 add 1-1 " + key)
			if parsed, err := bench.ParseUSBID(key); err != nil || parsed.String() != key {
				t.Errorf("%s (%s): ParseUSBID gives %v, %v", key, name, parsed, err)
			}
		})
	}
}
