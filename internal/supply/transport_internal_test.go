package supply

import "testing"

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
