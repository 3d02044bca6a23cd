package bench_test

import (
	"encoding/json"
	"net/url"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

func event() bench.Event {
	return bench.Event{
		Station: "left 1", Type: bench.RunDropped, Count: 7,
		Time:      time.Date(2026, 3, 2, 22, 14, 5, 120e6, time.FixedZone("CET", 3600)),
		Concluded: time.Date(2026, 3, 2, 21, 14, 5, 920e6, time.UTC),
		Data: bench.EventData{
			Kind: bench.Died, Mode: bench.Running, Uptime: unit.Some(183400 * time.Millisecond), Window: unit.Some(210 * time.Second),
			Why: []string{"0.00 mA for 0.2 s"},
		},
	}
}

// CloudEvents 1.0 section 3.1 requires id, source, specversion and type to be
// non-empty, source to be a URI reference and time to follow RFC 3339; the
// JSON format, section 3, names datacontenttype and data.
func TestCloudEvent(t *testing.T) {
	b, err := event().CloudEvent("north/1")
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	want := map[string]any{
		"specversion": "1.0", "id": event().ID(), "source": "/bench/north%2F1/station/left%201",
		"type": "benchvigil.run.dropped", "time": "2026-03-02T21:14:05.120Z", "datacontenttype": "application/json",
		"data": map[string]any{
			"concluded_at": "2026-03-02T21:14:05.920Z", "kind": "died", "mode": "running",
			"uptime_s": 183.4, "window_s": 210.0, "why": []any{"0.00 mA for 0.2 s"},
		},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if _, err := url.Parse(got["source"].(string)); err != nil {
		t.Errorf("source is no URI reference: %v", err)
	}
	if _, err := time.Parse(time.RFC3339, got["time"].(string)); err != nil {
		t.Errorf("time: %v", err)
	}
}

// The same conclusion has the same id wherever it is drawn; another one never.
func TestEventID(t *testing.T) {
	a := event()
	same := a
	same.Time = a.Time.UTC()
	same.Concluded = a.Concluded.Add(time.Hour)
	if a.ID() != same.ID() {
		t.Error("zone and time of conclusion change the id")
	}
	seen := map[string]bool{a.ID(): true}
	for _, change := range []func(*bench.Event){
		func(e *bench.Event) { e.Station = "left 2" },
		func(e *bench.Event) { e.Type = bench.RunStopped },
		func(e *bench.Event) { e.Time = e.Time.Add(time.Millisecond) },
		func(e *bench.Event) { e.Count++ },
	} {
		b := event()
		change(&b)
		if seen[b.ID()] {
			t.Errorf("%+v has an id that another event has", b)
		}
		seen[b.ID()] = true
	}
}

func TestParseUSBID(t *testing.T) {
	for in, want := range map[string]bench.USBID{
		"1209:0003": {Vendor: 0x1209, Product: 3},
		"05AC:1227": {Vendor: 0x05ac, Product: 0x1227}, // usb.ids 2025.07.26: "Mobile Device (DFU Mode)"
		"18d1:4ee0": {Vendor: 0x18d1, Product: 0x4ee0}, // usb.ids 2025.07.26: "Nexus/Pixel Device (fastboot)"
		"5c6:9008":  {Vendor: 0x05c6, Product: 0x9008},
	} {
		got, err := bench.ParseUSBID(in)
		if err != nil || got != want {
			t.Errorf("ParseUSBID(%q) = %v, %v; want %v", in, got, err, want)
		}
	}
	for _, in := range []string{"", "1209", "1209:", ":0003", "1209:00003", "0x12:3", "12g9:0003", "1209:0003:1"} {
		if got, err := bench.ParseUSBID(in); err == nil {
			t.Errorf("ParseUSBID(%q) = %v, want an error", in, got)
		}
	}
}

func TestParseWords(t *testing.T) {
	for _, m := range bench.Modes() {
		if got, err := bench.ParseMode(string(m)); err != nil || got != m {
			t.Errorf("ParseMode(%q) = %v, %v", m, got, err)
		}
	}
	if _, err := bench.ParseMode("booting"); err == nil {
		t.Error("booting is a mode")
	}
	if _, err := bench.ParsePowerPath("mains"); err == nil {
		t.Error("mains is a power path")
	}
}

// The number of a case stands on lock screens: what may be a name is refused.
func TestCaseNumbers(t *testing.T) {
	for _, good := range []string{"2417", "R-2417", "26/0113", ""} {
		if err := (bench.Mark{Kind: bench.MarkCase, Text: good}).Check(); err != nil {
			t.Errorf("%q: %v", good, err)
		}
	}
	for _, bad := range []string{"Smith", "Anna Smith 2", "a-very-long-number-1", "24\u202e17", "-1"} {
		if err := (bench.Mark{Kind: bench.MarkCase, Text: bad}).Check(); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}
