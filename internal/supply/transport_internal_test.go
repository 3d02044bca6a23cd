package supply

import (
	"strings"
	"testing"
)

func TestOpen(t *testing.T) {
	for in, want := range map[string]string{
		"127.0.0.1:5025":       "127.0.0.1:5025",
		"tcp://127.0.0.1:9221": "127.0.0.1:9221",
		"10.0.0.7":             "10.0.0.7:5025", // LXI Consortium, "LXI Ports, Protocols, and Services": scpi-raw is 5025
		"tcp://psu-left.local": "psu-left.local:5025",
		"psu_left:8003":        "psu_left:8003",
		"[::1]:5555":           "[::1]:5555",
		"tcp://[::1]":          "[::1]:5025",
		"::1":                  "[::1]:5025",
		"fe80::1%eth0":         "[fe80::1%eth0]:5025",
	} {
		if got, _, err := open(in); err != nil || got != want {
			t.Errorf("open(%q) = %q, %v; want %q", in, got, err, want)
		}
	}
	for _, in := range []string{"", ":5025", "tcp://", "tcp://:5025", "host:", "host:0", "host:65536", "host:x", "host:-1", "a b:5025", "host/path", "tcp://host:5025/", "TCP://host", "::1:zz", "[::1", "[]:5025", "a:b:c"} {
		if got, _, err := open(in); err == nil {
			t.Errorf("open(%q) = %q, want an error", in, got)
		}
	}
}

// FuzzOpen reads any address: one that is accepted names what can be dialled,
// and reads the same when its canonical form is given back.
func FuzzOpen(f *testing.F) {
	for _, s := range []string{
		"tcp://psu:5025", "[::1]", "serial:///dev/ttyUSB0?baud=9600&bits=8N1", "serial://COM3?bits=7E2",
		"usbtmc:///dev/usbtmc0", "usbtmc://serial/PSU-1", "serial:///dev/../etc/passwd", "serial:///dev/x?baud=%31",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, dial, err := open(s)
		if err != nil {
			if dial != nil || !strings.HasPrefix(err.Error(), "address ") {
				t.Errorf("open(%q) = %v", s, err)
			}
			return
		}
		scheme, _, ok := strings.Cut(s, "://")
		if !ok {
			scheme = "tcp"
		}
		if again, _, err := open(scheme + "://" + got); err != nil || again != got || dial == nil {
			t.Errorf("open(%q) = %q, which opens as %q, %v", s, got, again, err)
		}
		if strings.Contains(got, "..") && scheme != "tcp" {
			for part := range strings.SplitSeq(got, "/") {
				if part == ".." {
					t.Errorf("open(%q) = %q leaves its folder", s, got)
				}
			}
		}
	})
}
