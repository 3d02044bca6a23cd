package profile_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
)

var shipped = os.DirFS("../../configs/profiles")

// published reads the rows of usb.ids 2025.07.26 that the shipped profiles
// use: identity to the text of its row.
func published(t *testing.T) map[string]string {
	t.Helper()
	b, err := os.ReadFile("testdata/usb_ids.csv")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.HasPrefix(b, []byte(`# From usb.ids, "# Version: 2025.07.26"`)) {
		t.Fatal("the rows do not say from which usb.ids they are")
	}
	r := csv.NewReader(bytes.NewReader(b))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, row := range rows[1:] {
		out[row[0]] = strings.TrimSpace(row[2])
	}
	return out
}

// Every identity of every shipped family is one that usb.ids publishes, with
// the text of its row beside it.
func TestFamiliesArePublished(t *testing.T) {
	rows := published(t)
	files, err := fs.Glob(shipped, "family-*.yaml")
	if err != nil || len(files) < 5 {
		t.Fatalf("%d families, %v", len(files), err)
	}
	used := map[string]bool{}
	for _, f := range files {
		b, err := fs.ReadFile(shipped, f)
		if err != nil {
			t.Fatal(err)
		}
		for _, u := range unpublished(t, b, rows, used) {
			t.Errorf("%s:%s", f, u)
		}
		vendor := strings.TrimSuffix(strings.TrimPrefix(f, "family-"), ".yaml")
		if p, err := profile.Load(shipped, f); err != nil || p.Name != "family-"+vendor {
			t.Errorf("%s: %v; want the family named by its vendor", f, err)
		}
		if _, err := bench.ParseHex16(vendor); err != nil || !bytes.Contains(b, []byte("usb.ids version 2025.07.26")) {
			t.Errorf("%s: want a vendor id in the name and the version of usb.ids in it", f)
		}
	}
	for id := range rows {
		if !used[id] {
			t.Errorf("testdata has a row for %s, which no profile uses", id)
		}
	}
}

// unpublished lists the identities of a profile that have no row, or another
// text beside them than their row's. "not in usb.ids" beside one lets it pass.
func unpublished(t *testing.T, b []byte, rows map[string]string, used map[string]bool) (out []string) {
	t.Helper()
	var doc yaml.Node
	if err := yaml.Unmarshal(b, &doc); err != nil {
		t.Fatal(err)
	}
	var walk func(n *yaml.Node)
	walk = func(n *yaml.Node) {
		for _, c := range n.Content {
			walk(c)
		}
		id, err := bench.ParseUSBID(n.Value)
		if n.Kind != yaml.ScalarNode || err != nil {
			return
		}
		used[id.String()] = true
		said := strings.TrimPrefix(n.LineComment, "# ")
		text, ok := rows[id.String()]
		switch {
		case strings.Contains(said, "not in usb.ids"):
		case !ok:
			out = append(out, fmt.Sprintf("%d: usb.ids does not publish %v", n.Line, id))
		case said != text:
			out = append(out, fmt.Sprintf("%d: beside %v stands %q, usb.ids reads %q", n.Line, id, said, text))
		}
	}
	walk(&doc)
	return out
}

func TestUnpublished(t *testing.T) {
	rows := map[string]string{"05ac:1227": "Mobile Device (DFU Mode)"}
	got := unpublished(t, []byte(strings.Join([]string{
		"name: x", "modes:", "  loader:", "    usb:",
		`      - "05ac:1227" # Mobile Device (DFU Mode)`,
		`      - "05AC:1227" # Mobile Device`,
		`      - "05ac:fffe" # Mobile Device (DFU Mode)`,
		`      - "05ac:fffd" # not in usb.ids`,
	}, "\n")), rows, map[string]bool{})
	want := []string{
		`6: beside 05ac:1227 stands "Mobile Device", usb.ids reads "Mobile Device (DFU Mode)"`,
		"7: usb.ids does not publish 05ac:fffe",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

// The example's identities are of the vendor id for invented devices only.
func TestInventedIsInvented(t *testing.T) {
	p, err := profile.Load(shipped, "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range p.Modes {
		for _, id := range s.USB {
			if id.Vendor != 0x1209 {
				t.Errorf("%s shows %v", s.Mode, id)
			}
		}
	}
}

// What the trade calls the first-stage loader of each family (common
// practice), and the identity that usb.ids publishes for it.
func TestLoaders(t *testing.T) {
	all, err := profile.LoadDir(shipped)
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct{ family, id, label string }{
		{"05ac", "05ac:1227", "DFU"},                 // "Mobile Device (DFU Mode)"
		{"18d1", "18d1:4ee0", "fastboot"},            // "Nexus/Pixel Device (fastboot)"
		{"04e8", "04e8:685d", "download mode"},       // "GT-I9100 Phone [Galaxy S II] (Download mode)"
		{"05c6", "05c6:9008", "QDL/EDL"},             // "Gobi Wireless Modem (QDL mode)"; no row says EDL
		{"0e8d", "0e8d:2000", "preloader"},           // "MT65xx Preloader"
		{"0e8d", "0e8d:0003", "preloader"},           // "MT6227 phone", not a boot ROM
		{"2207", "2207:320a", "Mask ROM"},            // "RK3288 in Mask ROM mode"
		{"0955", "0955:7030", "recovery mode"},       // "T30 [Tegra 3] recovery mode"
		{"1004", "1004:633e", "download mode"},       // "… (MTP/download mode)": running as well
		{"2717", "18d1:d00d", "fastboot"},            // "Xiaomi Mi/Redmi 2 (fastboot)", another vendor's id
		{"8087", "8087:0fff", "bootloader"},          // "Intel Android Bootloader Interface"
		{"22b8", "22b8:6026", "flash mode"},          // "Flash RAM Downloader/miniOS"
		{"05ac", "05ac:1281", "recovery mode"},       // "Apple Mobile Device [Recovery Mode]"
		{"18d1", "18d1:d001", "recovery mode"},       // "Nexus 4 (fastboot)", and the loader's
		{"05ac", "05ac:12a8", string(bench.Running)}, // "iPhone 5/5C/5S/6/SE/7/8/X/XR"
	} {
		id, err := bench.ParseUSBID(tc.id)
		if err != nil {
			t.Fatal(err)
		}
		p := all["family-"+tc.family]
		if p == nil || !slices.ContainsFunc(p.Modes, func(s profile.Spec) bool { return s.Label == tc.label && slices.Contains(s.USB, id) }) {
			t.Errorf("family %s has no mode %q that shows %s", tc.family, tc.label, tc.id)
		}
	}
}

// Identities that stand under several modes.
func TestSharedIdentities(t *testing.T) {
	all, err := profile.LoadDir(shipped)
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		family, id string
		want       []bench.Mode
	}{
		{"05ac", "05ac:1281", []bench.Mode{bench.Recovery, bench.Restoring}},
		{"05ac", "05ac:12a8", []bench.Mode{bench.Restoring, bench.RePairing, bench.Running, bench.Asleep}},
		{"18d1", "18d1:d001", []bench.Mode{bench.Loader, bench.Recovery, bench.Restoring}},
		{"0e8d", "0e8d:0003", []bench.Mode{bench.Loader, bench.Restoring, bench.Running, bench.Asleep}},
		{"1004", "1004:627f", []bench.Mode{bench.Loader, bench.Restoring, bench.Running, bench.Asleep}},
	} {
		id, err := bench.ParseUSBID(tc.id)
		if err != nil {
			t.Fatal(err)
		}
		var got []bench.Mode
		for _, s := range all["family-"+tc.family].Modes {
			if slices.Contains(s.USB, id) {
				got = append(got, s.Mode)
			}
		}
		if !slices.Equal(got, tc.want) {
			t.Errorf("family %s: %s stands under %v, want %v", tc.family, tc.id, got, tc.want)
		}
	}
}
