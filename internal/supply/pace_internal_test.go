package supply

import (
	"testing"
	"time"
)

func TestPace(t *testing.T) {
	t0 := time.Date(2026, 3, 2, 21, 14, 5, 0, time.UTC)
	const ms = time.Millisecond
	for _, tc := range []struct {
		name    string
		ended   time.Duration // after the slot at 0
		slot    time.Duration
		skipped uint64
	}{
		{"at once", 0, 100 * ms, 0},
		{"in time", 99 * ms, 100 * ms, 0},
		{"just when the next is due", 100 * ms, 100 * ms, 0},
		{"late for the next, which is served at once", 130 * ms, 100 * ms, 0},
		{"one slot missed", 200 * ms, 200 * ms, 1},
		{"one slot missed, late for the next", 299 * ms, 200 * ms, 1},
		{"many slots missed", 5030 * ms, 5000 * ms, 49},
		{"the clock went back", -70 * ms, 100 * ms, 0},
	} {
		p := pace{every: 100 * ms, slot: t0}
		skipped := p.advance(t0.Add(tc.ended))
		if got := p.slot.Sub(t0); got != tc.slot || skipped != tc.skipped {
			t.Errorf("%s: next slot at %v after %d skipped, want %v after %d", tc.name, got, skipped, tc.slot, tc.skipped)
		}
	}
}

func TestRetryIsCapped(t *testing.T) {
	b := newRetry()
	within := func(d, middle time.Duration) {
		t.Helper()
		if d < middle*3/4 || d > middle*5/4 || d > 5*time.Second {
			t.Errorf("back-off is %v, want %v give or take a quarter and 5 s at most", d, middle)
		}
	}
	for range 3 {
		for _, middle := range []time.Duration{100, 200, 400, 800, 1600, 3200, 4000, 4000, 4000} {
			within(b.NextBackOff(), middle*time.Millisecond)
		}
		b.Reset()
	}
}

func TestParseAddress(t *testing.T) {
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
		if got, err := parseAddress(in); err != nil || got != want {
			t.Errorf("parseAddress(%q) = %q, %v; want %q", in, got, err, want)
		}
	}
	for _, in := range []string{"", ":5025", "tcp://", "tcp://:5025", "host:", "host:0", "host:65536", "host:x", "host:-1", "a b:5025", "host/path", "tcp://host:5025/", "serial:///dev/ttyUSB0", "usbtmc://1", "TCP://host", "::1:zz", "[::1", "[]:5025", "a:b:c"} {
		if got, err := parseAddress(in); err == nil {
			t.Errorf("parseAddress(%q) = %q, want an error", in, got)
		}
	}
}
