//go:build linux

package main

import (
	"context"
	"io"
	"testing"
	"testing/synctest"
	"time"

	"benchvigil/internal/unit"
)

// The form is that of the kernel's lib/kobject_uevent.c.
func TestParseUevent(t *testing.T) {
	device := "add@/devices/platform/vhci_hcd.0/usb1/1-1\x00ACTION=add\x00DEVPATH=/devices/platform/vhci_hcd.0/usb1/1-1\x00" +
		"SUBSYSTEM=usb\x00DEVTYPE=usb_device\x00PRODUCT=1209/3/100\x00SEQNUM=4711\x00"
	got, ok := parseUevent(device)
	if want := (uevent{"add", "1-1", "1209/3"}); got != want || !ok {
		t.Errorf("got %+v, %v; want %+v", got, ok, want)
	}
	for _, other := range []string{
		"add@/x\x00ACTION=add\x00DEVPATH=/x\x00DEVTYPE=usb_interface\x00PRODUCT=1209/3/100\x00SEQNUM=1\x00",
		"libudev\x00",
		"",
	} {
		if got, ok := parseUevent(other); ok {
			t.Errorf("%q was taken for %+v", other, got)
		}
	}
}

func TestQuantile(t *testing.T) {
	var s samples
	if got := s.quantile(0.95); got != 0 {
		t.Errorf("no samples: %v", got)
	}
	for i := range 20 {
		s.add(time.Duration(20-i) * time.Millisecond)
	}
	for q, want := range map[float64]int64{0: 1, 0.05: 1, 0.5: 10, 0.95: 19, 0.951: 20, 1: 20} {
		if got := s.quantile(q).Milliseconds(); got != want {
			t.Errorf("quantile %v of 1 to 20 ms = %d ms, want %d ms", q, got, want)
		}
	}
}

func TestFindMetric(t *testing.T) {
	page := "# HELP m text\n# TYPE m gauge\nm{station=\"s1\",mode=\"off\"} 0\nm{station=\"s1\",mode=\"running\"} 1\nm_total 3e+03\n"
	for _, tc := range []struct {
		name   string
		labels []string
		want   float64
		ok     bool
	}{
		{"m", []string{`station="s1"`, `mode="running"`}, 1, true},
		{"m", []string{`mode="off"`}, 0, true},
		{"m_total", nil, 3000, true},
		{"m", []string{`station="s2"`}, 0, false},
		{"total", nil, 0, false},
	} {
		got, err := findMetric(page, tc.name, tc.labels...)
		if got != tc.want || (err == nil) != tc.ok {
			t.Errorf("%s %q = %v, %v; want %v", tc.name, tc.labels, got, err, tc.want)
		}
	}
}

func TestTapeWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tape := newTape[int]()
		tape.add(time.Now(), 7)
		mark := tape.mark()
		began := time.Now()
		go func() {
			for n := range 3 {
				time.Sleep(time.Second)
				tape.add(time.Now(), n+6)
			}
		}()
		seven := func(n int) bool { return n == 7 }
		got, err := tape.wait(t.Context(), mark, time.Minute, "seven", seven)
		if err != nil || got.at.Sub(began) != 2*time.Second {
			t.Errorf("got %+v, %v; want the seven after 2 s, not the one before the mark", got, err)
		}
		if _, err := tape.wait(t.Context(), tape.mark(), time.Minute, "seven", seven); err == nil {
			t.Error("a seven that never came was found")
		}
		if d := time.Since(began); d != 2*time.Second+time.Minute {
			t.Errorf("gave up after %v", d)
		}
	})
}

// Lines that come in pieces are put together, and what is no line ends the
// following.
func TestReadLines(t *testing.T) {
	tape := newTape[event]()
	r := pieces(`{"type":"a","da`, "", "ta\":{\"to\":\"off\"}}\n{\"type\":\"b\",\"data\":{}}\n", "nonsense\n")
	if err := readLines(t.Context(), r, tape, parseEvent); err == nil {
		t.Error("nonsense was taken for an event")
	}
	got := tape.since(0)
	if len(got) != 2 || got[0].v.facts.To != "off" || got[1].v.Type != "b" {
		t.Errorf("got %+v", got)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := readLines(ctx, pieces(), tape, parseEvent); err != nil {
		t.Errorf("the end of the check: %v", err)
	}
}

func TestSameEvents(t *testing.T) {
	e := func(id, data string) event { return event{ID: id, Data: []byte(data)} }
	for _, tc := range []struct {
		name           string
		live, replayed []event
		same           bool
	}{
		{"equal", []event{e("1", "{}"), e("2", "{}")}, []event{e("1", "{}"), e("2", "{}")}, true},
		{"one more live", []event{e("1", "{}")}, nil, false},
		{"one more replayed", nil, []event{e("1", "{}")}, false},
		{"other id", []event{e("1", "{}")}, []event{e("2", "{}")}, false},
		{"other data", []event{e("1", "{}")}, []event{e("1", `{"a":1}`)}, false},
	} {
		if err := sameEvents(tc.live, tc.replayed); (err == nil) != tc.same {
			t.Errorf("%s: %v", tc.name, err)
		}
	}
}

// growing is a file that grows by a piece whenever it was read to its end.
type growing struct{ left []string }

func pieces(p ...string) *growing { return &growing{p} }

func (g *growing) Read(b []byte) (int, error) {
	if len(g.left) == 0 || g.left[0] == "" {
		if len(g.left) > 0 {
			g.left = g.left[1:]
		}
		return 0, io.EOF
	}
	n := copy(b, g.left[0])
	g.left[0] = g.left[0][n:]
	return n, nil
}

// The table is that of a kernel 6.1, with its columns aligned as it prints
// them.
func TestDroppedUevents(t *testing.T) {
	table := "sk               Eth Pid        Groups   Rmem     Wmem     Dump  Locks    Drops    Inode\n" +
		"0000000000000000 15  41         00000001 33555712 0        0     2        37       1204    \n" +
		"0000000000000000 15  0          00000000 0        0        0     2        0        12      \n" +
		"0000000000000000 0   41         00000000 0        0        0     2        5        1203    \n"
	if got := droppedUevents(table); got != 37 {
		t.Errorf("got %d, want the 37 of the uevent socket", got)
	}
}

func TestFinding(t *testing.T) {
	for found, want := range map[string]float64{
		"Invented,BV-S,1,1.0, 3.800 V, 0.600 A, 19.8 readings a second":                      19.8,
		"an instrument, 3.800 V, amps unknown, 4.9 readings a second where 20 are asked for": 4.9,
	} {
		if got, ok := (finding{Found: found}).rate(); !ok || got != want {
			t.Errorf("%q gives %v, %t; want %v", found, got, ok, want)
		}
	}
	if got, ok := (finding{Found: "no connection"}).rate(); ok {
		t.Errorf("no connection gives a rate of %v", got)
	}
	list := []finding{{Check: "supply (s1)", Verdict: "ok"}, {Check: "supply (s2)", Verdict: "failed"}}
	if f, err := find(list, "supply (s2)"); err != nil || f.Verdict != "failed" {
		t.Errorf("got %+v, %v", f, err)
	}
	if _, err := find(list, "supply (s3)"); err == nil {
		t.Error("a check that is not there was found")
	}
}

func TestReads(t *testing.T) {
	o, err := parseObservation([]byte(`{"at":"2026-01-02T03:04:05.678Z","station":"s4","power":{"volts":3.8,"amps":0.65}}`))
	if err != nil {
		t.Fatal(err)
	}
	s := &supply{}
	s.set(650 * unit.Milliampere)
	if !o.reads(s.reading()) {
		t.Errorf("%s is not read as %+v", o.reading(), s.reading())
	}
	s.set(650*unit.Milliampere + 1)
	if o.reads(s.reading()) {
		t.Error("a microampere makes no difference")
	}
	o.Power.Volts = nil
	if o.reads(s.reading()) || o.reading() != "unknown V, 0.65 A" {
		t.Errorf("without volts: %s", o.reading())
	}
}

func TestWidest(t *testing.T) {
	var list []observation
	for _, ms := range []int64{0, 100, 350, 400} {
		list = append(list, observation{At: time.UnixMilli(ms)})
	}
	if got := widest(list); got != 250*time.Millisecond {
		t.Errorf("got %v, want 250ms", got)
	}
	if got := widest(list[:1]); got != 0 {
		t.Errorf("one reading: %v", got)
	}
}
