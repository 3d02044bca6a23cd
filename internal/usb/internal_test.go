package usb

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"benchvigil/internal/bench"
)

func TestSequence(t *testing.T) {
	const overrun, settle = 0, 1 // no real numbers in this table
	for _, tc := range []struct {
		name string
		in   []uint64
		gaps int
		lost uint64
	}{
		{"in order", []uint64{10, 11, 12, 13}, 0, 0},
		{"gap", []uint64{10, 13}, 1, 0},
		{"gap, given up", []uint64{10, 13, settle}, 1, 2},
		{"out of order", []uint64{10, 12, 11, 13, settle}, 1, 0},
		{"late after giving up", []uint64{10, 12, settle, 11, 13, settle}, 1, 1},
		{"two gaps", []uint64{10, 12, 15, settle}, 2, 3},
		{"same again", []uint64{10, 10, 11, settle}, 0, 0},
		{"overrun is part of its gap", []uint64{10, overrun, 11, 15, settle}, 1, 3},
		{"overrun without a gap yet", []uint64{10, overrun, settle}, 0, 1},
		{"two overruns, one gap of one", []uint64{10, overrun, overrun, 12, settle}, 1, 2},
		{"long gap counts at once", []uint64{10, 10 + maxMissing + 2}, 1, maxMissing + 1},
		{"numbers start again", []uint64{100000, 5, 6, 7, settle}, 0, 0},
		{"first message ever", []uint64{1 << 40, settle}, 0, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var s sequence
			gaps, lost := 0, uint64(0)
			for _, n := range tc.in {
				switch n {
				case overrun:
					lost += s.overrun()
				case settle:
					lost += s.settle()
				default:
					gap, more := s.take(n)
					lost += more
					if gap {
						gaps++
					}
				}
			}
			if gaps != tc.gaps || lost != tc.lost {
				t.Errorf("%d gaps, %d lost; want %d, %d", gaps, lost, tc.gaps, tc.lost)
			}
		})
	}
}

// What was missing when a receiver was opened anew is lost; its numbers start
// afresh.
func TestBookStartsAfresh(t *testing.T) {
	b := newBook(map[string]string{"1-1": "s1"})
	for _, seq := range []uint64{10, 13} {
		b.heard(Uevent{Seq: seq}, time.Time{})
	}
	b.listening(true)
	if _, lost := b.totals(); lost != 2 {
		t.Errorf("%d lost when opened anew, want 2", lost)
	}
	b.heard(Uevent{Seq: 500}, time.Time{})
	b.settle()
	if uevents, lost := b.totals(); uevents != 3 || lost != 2 {
		t.Errorf("%d uevents, %d lost; want 3, 2", uevents, lost)
	}
}

// A serial number that was read of a device that has gone since is not told of
// its successor.
func TestLateSerialOfAnother(t *testing.T) {
	w, err := New(Options{Ports: map[string]string{"1-1": "s1"}, Sysfs: os.DirFS(t.TempDir())})
	if err != nil {
		t.Fatal(err)
	}
	var told []bench.Observation
	l := newLoop(w, func(o bench.Observation) bool { told = append(told, o); return true }, nil)
	p := l.ports[0]
	p.told = standing{true, 7, bench.USBID{Vendor: 0x1209, Product: 4}}
	l.detailed(detail{port: p, serial: "OLD", of: 6, devnum: 6})
	l.detailed(detail{port: p, serial: "MIXED", of: 6, devnum: 7})
	l.detailed(detail{port: p, serial: "REPLACED", of: 7, devnum: 8})
	l.detailed(detail{port: p, serial: "NEW", of: 7, devnum: 7})
	if len(told) != 1 || told[0].Fact.(bench.USB).Serial != "NEW" {
		t.Errorf("told %v, want the serial NEW only", told)
	}
}

// Whatever a station knows and whatever stands there, after the changes it
// knows what stands there, and times do not run backwards.
func TestChangesLeadToTruth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) standing {
			if !rapid.Bool().Draw(t, name) {
				return standing{}
			}
			return standing{true, rapid.IntRange(2, 4).Draw(t, name+" devnum"), bench.USBID{Vendor: 0x1209, Product: rapid.Uint16Range(1, 2).Draw(t, name+" product")}}
		}
		told, seen, restate := draw("told"), draw("seen"), rapid.Bool().Draw(t, "restate")
		begin := time.Date(2026, 3, 2, 21, 14, 5, 0, time.UTC)
		var h hint
		at := begin
		for _, action := range rapid.SliceOfN(rapid.SampledFrom([]string{"add", "remove", "change", "bind"}), 0, 6).Draw(t, "hints") {
			at = at.Add(time.Second)
			h.note(action, at)
		}
		now := at.Add(time.Second)
		list := changes(told, seen, restate, h, now)
		if len(list) == 0 && restate {
			t.Fatal("said nothing though asked to")
		}
		knows, last := told, begin
		for _, c := range list {
			if c.at.Before(last) || c.at.After(now) {
				t.Fatalf("told at %v, after %v and before %v", c.at, last, now)
			}
			if knows.present && c.usb.Change == bench.USBAdd && knows != seen {
				t.Fatal("added over another device")
			}
			knows, last = c.knows, c.at
		}
		if knows != seen {
			t.Fatalf("knows %v in the end, %v stands there", knows, seen)
		}
	})
}

func TestHint(t *testing.T) {
	now := time.Date(2026, 3, 2, 21, 14, 5, 0, time.UTC)
	sec := func(n int) time.Time { return now.Add(time.Duration(n-100) * time.Second) }
	for _, tc := range []struct {
		name       string
		hints      string // one letter a second
		left, came time.Time
	}{
		{"none", "", now, now},
		{"remove", "r", sec(0), sec(0)},
		{"first of two removals, last of two additions", "rara", sec(0), sec(3)},
		{"change before a removal", "cr", sec(1), sec(1)},
		{"removal lost", "cab", sec(0), sec(1)},
		{"addition lost", "cb", sec(0), sec(1)},
	} {
		for cut := range len(tc.hints) + 1 {
			var a, b hint
			for i, c := range tc.hints {
				h := &a
				if i >= cut {
					h = &b
				}
				h.note(map[rune]string{'r': "remove", 'a': "add", 'c': "change", 'b': "bind"}[c], sec(i))
			}
			h := a.then(b)
			if h.left(now) != tc.left || h.came(now) != tc.came {
				t.Errorf("%s, cut at %d: left %v, came %v; want %v, %v", tc.name, cut, h.left(now), h.came(now), tc.left, tc.came)
			}
		}
	}
}

func TestApart(t *testing.T) {
	for _, tc := range []struct {
		wall, monotonic time.Duration
		want            bool
	}{
		{time.Second, time.Second, false},
		{1900 * time.Millisecond, time.Second, false}, // slewed, or late
		{8 * time.Hour, time.Second, true},            // slept
		{-time.Hour, time.Second, true},               // set back
	} {
		if got := apart(tc.wall, tc.monotonic); got != tc.want {
			t.Errorf("apart(%v, %v) = %v", tc.wall, tc.monotonic, got)
		}
	}
}

// The tree of a real directory, laid out with links as the kernel's is.
func TestLookThroughLinks(t *testing.T) {
	root := t.TempDir()
	dir := filepath.Join(root, "devices/pci0000:00/0000:00:14.0/usb1/1-2/1-2.3")
	for _, d := range []string{dir, filepath.Join(root, devices)} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for name, text := range map[string]string{"devnum": "12\n", "idVendor": "05ac\n", "idProduct": "1281\n", "urbnum": "18231\n", "serial": "X1\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	tree := sysfs{os.DirFS(root)}
	if seen, err := tree.look("1-2.3"); seen.present || err != nil {
		t.Fatalf("without a link: %v, %v", seen, err)
	}
	if err := os.Symlink("../../../devices/pci0000:00/0000:00:14.0/usb1/1-2/1-2.3", filepath.Join(root, devices, "1-2.3")); err != nil {
		t.Skipf("no symbolic links here: %v", err)
	}
	seen, err := tree.look("1-2.3")
	if want := (standing{true, 12, bench.USBID{Vendor: 0x05ac, Product: 0x1281}}); seen != want || err != nil {
		t.Errorf("look = %v, %v; want %v", seen, err, want)
	}
	if n, devnum, err := tree.urbs("1-2.3"); n != 18231 || devnum != 12 || err != nil {
		t.Errorf("urbs = %d of %d, %v", n, devnum, err)
	}
	if s, devnum, err := tree.serial("1-2.3"); s != "X1" || devnum != 12 || err != nil {
		t.Errorf("serial = %q of %d, %v", s, devnum, err)
	}
	if err := tree.sight(); err != nil {
		t.Errorf("sight: %v", err)
	}
	if err := os.RemoveAll(filepath.Join(root, devices)); err != nil {
		t.Fatal(err)
	}
	if err := tree.sight(); !errors.Is(err, errNoUSB) {
		t.Errorf("sight without %s: %v", devices, err)
	}
	if err := os.WriteFile(filepath.Join(root, devices), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := tree.sight(); err == nil {
		t.Error("sight of a file: no error")
	}
}

// A child that hangs in the kernel outlives being killed: it is given up, and
// no second one is started until it has gone.
func TestStuckChild(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &child{exe: "/does/not/exist", deadline: time.Second}
		c.last = make(chan error, 1)
		ctx, cancel := context.WithTimeout(t.Context(), c.deadline)
		defer cancel()
		began := time.Now()
		if err := c.wait(ctx, c.last); !errors.Is(err, ErrScanStuck) {
			t.Errorf("wait = %v, want ErrScanStuck", err)
		}
		if took := time.Since(began); took != c.deadline+2*killGrace {
			t.Errorf("given up after %v", took)
		}
		if _, err := c.scan(t.Context()); !errors.Is(err, ErrScanStuck) {
			t.Errorf("second scan: %v, want ErrScanStuck", err)
		}
		c.last <- errors.New("signal: killed")
		if c.stuck() {
			t.Error("still stuck though the child has gone")
		}
	})
}

func TestReadScanRefuses(t *testing.T) {
	for name, in := range map[string]string{
		"empty":         "",
		"list":          "[]",
		"unknown field": `{"devices":[{"bus":1,"color":"red"}]}`,
		"two values":    `{"devices":[]}{"devices":[]}`,
		"long hex":      `{"devices":[{"port":"1-1","vendor":"12090"}]}`,
		"no port":       `{"devices":[{"vendor":"1209"}]}`,
		"strange port":  `{"devices":[{"port":"../etc"}]}`,
		"large class":   `{"devices":[{"port":"1-1","class":256}]}`,
		"cut off":       `{"devices":[`,
	} {
		if got, err := readScan([]byte(in)); err == nil {
			t.Errorf("%s: got %v, want an error", name, got)
		}
	}
}

func FuzzReadScan(f *testing.F) {
	f.Add([]byte(`{"devices":[{"bus":1,"address":7,"port":"1-2.3","vendor":"1209","product":"0003","class":255,"speed":"high"}]}`))
	f.Add([]byte(`{"devices":[{"port":"usb1"}],"error":"one is missing"}`))
	f.Add([]byte(`{}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := readScan(b)
		if err != nil {
			return
		}
		var out bytes.Buffer
		if err := WriteScan(&out, got, nil); err != nil {
			t.Fatal(err)
		}
		back, err := readScan(out.Bytes())
		if err != nil || len(back) != len(got) {
			t.Fatalf("%s reads back as %v, %v", out.Bytes(), back, err)
		}
		for i := range got {
			if got[i] != back[i] {
				t.Fatalf("%+v reads back as %+v", got[i], back[i])
			}
		}
	})
}

func TestPrintableIsBounded(t *testing.T) {
	if got := printable(strings.Repeat("é", 1000)); got != strings.Repeat("é", maxSerial) {
		t.Errorf("kept %d characters, want %d", len([]rune(got)), maxSerial)
	}
}

// BenchmarkLook is what one hint costs on a real file system.
func BenchmarkLook(b *testing.B) {
	root := b.TempDir()
	dir := filepath.Join(root, devices, "1-2")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		b.Fatal(err)
	}
	for name, text := range map[string]string{"devnum": "12\n", "idVendor": "05ac\n", "idProduct": "1281\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			b.Fatal(err)
		}
	}
	tree := sysfs{os.DirFS(root)}
	for _, tc := range []struct {
		name, port string
	}{{"Present", "1-2"}, {"Empty", "1-3"}} {
		b.Run(tc.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := tree.look(tc.port); err != nil && !errors.Is(err, fs.ErrNotExist) {
					b.Fatal(err)
				}
			}
		})
	}
}
