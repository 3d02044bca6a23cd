package ledger_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest"
	"go.uber.org/zap/zaptest/observer"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/unit"
)

const eventsWritten = 400

// written makes a folder with events, marks and readings, as a process leaves
// it that was killed: copied while it was open.
func written(t *testing.T) string {
	t.Helper()
	from, to := t.TempDir(), t.TempDir()
	l := open(t, from)
	l.Begin("s1", start, wiring)
	for i := range eventsWritten {
		at := start.Add(time.Duration(i) * time.Second)
		for n := range 10 {
			l.Record(reading("s1", at.Add(time.Duration(n)*100*time.Millisecond), unit.Current(1000*n)))
		}
		l.SaveState("s1", time.Time{}, fmt.Append(nil, i))
		must(t, l.Append(t.Context(), []bench.Event{event("s1", bench.StallRaised, at, uint64(i))}))
		if i == eventsWritten/2 {
			must(t, l.Fold(t.Context()))
		}
	}
	for _, name := range []string{"ledger.db", "ledger.db-wal"} {
		b, err := os.ReadFile(filepath.Join(from, name))
		must(t, err)
		must(t, os.WriteFile(filepath.Join(to, name), b, 0o600))
	}
	must(t, os.WriteFile(filepath.Join(to, "lock"), []byte("99999999\n"), 0o600))
	return to
}

// closed is the same, closed properly.
func closed(t *testing.T) string {
	t.Helper()
	dir := written(t)
	must(t, open(t, dir).Close())
	return dir
}

// change changes a file; nil removes it.
func change(t *testing.T, file string, how func([]byte) []byte) {
	t.Helper()
	b, err := os.ReadFile(file)
	must(t, err)
	if b = how(b); b == nil {
		must(t, os.Remove(file))
		return
	}
	must(t, os.WriteFile(file, b, 0o600))
}

// What is logged of damage.
const (
	saysAside   = "the ledger is damaged and was set aside; a new one is begun"
	saysMissing = "the ledger is missing though the folder was used; a new one is begun"
)

// TestDamage opens folders that were damaged in one way each. None may keep
// the watch from starting, each is told, and a second start must find all in order.
func TestDamage(t *testing.T) {
	for _, tt := range []struct {
		name    string
		from    func(*testing.T) string
		file    string
		corrupt func([]byte) []byte
		least   int // events that must be left
		says    string
	}{
		{"nothing", written, "ledger.db", func(b []byte) []byte { return b }, eventsWritten, ""},
		{"torn tail", written, "ledger.db-wal", func(b []byte) []byte { return b[:len(b)-100] }, eventsWritten - 2, ""},
		{"flipped byte in the log's tail", written, "ledger.db-wal", func(b []byte) []byte { b[len(b)-50] ^= 4; return b }, eventsWritten - 2, ""},
		{"log empty", written, "ledger.db-wal", func([]byte) []byte { return []byte{} }, 0, ""},
		{"log gone", written, "ledger.db-wal", func([]byte) []byte { return nil }, 0, ""},
		{"no database at all", closed, "ledger.db", func(b []byte) []byte { return []byte(strings.Repeat("rubbish ", len(b)/8)) }, 0, saysAside},
		{"empty", closed, "ledger.db", func([]byte) []byte { return []byte{} }, 0, saysMissing},
		{"gone", closed, "ledger.db", func([]byte) []byte { return nil }, 0, saysMissing},
		{"gone, the log left", written, "ledger.db", func([]byte) []byte { return nil }, 0, saysMissing},
		{"flipped byte in the head", closed, "ledger.db", func(b []byte) []byte { b[3] ^= 4; return b }, 0, saysAside},
		{"flipped byte in the schema", closed, "ledger.db", func(b []byte) []byte { b[100] ^= 0x40; return b }, 0, saysAside},
		{"a fifth cut off", closed, "ledger.db", func(b []byte) []byte { return b[:len(b)*4/5] }, eventsWritten / 4, saysAside},
		{"a few bytes left", closed, "ledger.db", func(b []byte) []byte { return b[:50] }, 0, saysAside},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := tt.from(t)
			change(t, filepath.Join(dir, tt.file), tt.corrupt)
			core, logs := observer.New(zap.WarnLevel)
			l, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, Logger: zap.New(core)})
			must(t, err)
			if got := len(all(t, l.Events(t.Context(), ledger.Query{}))); got < tt.least || got > eventsWritten {
				t.Errorf("%d events left, want %d at least", got, tt.least)
			}
			if said := logs.FilterMessage(tt.says).FilterFieldKey("file").Len(); tt.says != "" && said != 1 || tt.says == "" && logs.Len() > 0 {
				t.Errorf("said %v, want %q with the file", logs.All(), tt.says)
			}
			if aside := l.Aside(); (tt.says == saysAside) != (len(aside) == 1) {
				t.Errorf("set aside: %v, and said %q", aside, tt.says)
			}
			for _, name := range l.Aside() {
				if _, err := os.Stat(name); err != nil {
					t.Error(err)
				}
			}
			must(t, l.Append(t.Context(), []bench.Event{event("s1", bench.StallRaised, start, 1_000_000)}))
			must(t, l.Close())
			again := open(t, dir)
			if findings, err := again.Check(t.Context()); err != nil || len(findings) > 0 || len(again.Aside()) > 0 {
				t.Errorf("at the second start: %v, %v, %v", findings, err, again.Aside())
			}
		})
	}
}

// TestFlippedBytes flips bytes at random places. Whatever is read is what was
// written; what cannot be read is an error; and it always starts.
func TestFlippedBytes(t *testing.T) {
	image := closed(t)
	whole, err := os.ReadFile(filepath.Join(image, "ledger.db"))
	must(t, err)
	want := map[uint64]bench.Event{}
	l := open(t, image)
	for _, e := range all(t, l.Events(t.Context(), ledger.Query{})) {
		want[e.Count] = e
	}
	must(t, l.Close())
	rnd := rand.New(rand.NewPCG(5, 5))
	lost := 0
	for range 60 {
		dir := t.TempDir()
		b := append([]byte(nil), whole...)
		for range 1 + rnd.IntN(8) {
			b[rnd.IntN(len(b))] ^= 1 << rnd.IntN(8)
		}
		must(t, os.WriteFile(filepath.Join(dir, "ledger.db"), b, 0o600))
		l := open(t, dir)
		n := 0
		for e, err := range l.Events(t.Context(), ledger.Query{}) {
			if err != nil {
				continue
			}
			n++
			if d := cmp.Diff(want[e.Count], e, comparers...); d != "" {
				t.Fatalf("an event was changed without a word: %s", d)
			}
		}
		for o, err := range l.Observations(t.Context(), ledger.Query{}) {
			if p, ok := o.Fact.(bench.Power); err == nil && (!ok || !p.Amps.Known() || p.Volts.Or(0) != 3_801*unit.Millivolt) {
				t.Fatalf("a reading was changed without a word: %+v", o)
			}
		}
		lost += eventsWritten - n
		_ = l.Close() // the damage may be met here as well
		_ = open(t, dir)
	}
	t.Logf("%d of %d events lost", lost, 60*eventsWritten)
}

// TestFull fills the disk: events are kept and written as soon as there is
// room.
func TestFull(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	ctx := t.Context()
	l.Begin("s1", start, wiring)
	must(t, l.Flush(ctx))
	must(t, l.SetPages(ctx, 1)) // no page more than there are
	var refused error
	n := 0
	for ; refused == nil && n < 10_000; n++ {
		at := start.Add(time.Duration(n) * time.Second)
		l.Record(reading("s1", at, 1000))
		refused = l.Append(ctx, []bench.Event{event("s1", bench.StallRaised, at, uint64(n))})
	}
	if refused == nil || l.Trouble() == nil || !strings.Contains(refused.Error(), "full") {
		t.Fatalf("%v, %v: the disk is full", refused, l.Trouble())
	}
	for range 10 {
		at := start.Add(time.Duration(n) * time.Second)
		l.Record(reading("s1", at, 1000))
		if err := l.Append(ctx, []bench.Event{event("s1", bench.StallRaised, at, uint64(n))}); err == nil {
			t.Error("acknowledged on a full disk")
		}
		n++
	}
	must(t, l.SetPages(ctx, 1<<30))
	must(t, l.Flush(ctx))
	if l.Trouble() != nil {
		t.Errorf("still in trouble: %+v", l.Trouble())
	}
	if got := all(t, l.Events(ctx, ledger.Query{})); len(got) != n {
		t.Errorf("%d events, want all %d", len(got), n)
	}
	if got := all(t, l.Observations(ctx, ledger.Query{})); len(got) != n {
		t.Errorf("%d readings, want all %d", len(got), n)
	}
	if c := l.Counts(); c.DroppedEvents+c.DroppedPoints+c.DroppedFacts != 0 || c.Failed == 0 {
		t.Errorf("%+v: nothing had to be dropped", c)
	}
}

func TestFolderThatCannotBe(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	must(t, os.WriteFile(file, nil, 0o600))
	_, err := ledger.Open(t.Context(), ledger.Options{Dir: filepath.Join(file, "data"), Logger: zaptest.NewLogger(t)})
	if err == nil || !strings.Contains(err.Error(), file) {
		t.Errorf("%v: want an error that names the folder", err)
	}
}

// A store of a later version is left alone.
func TestNewer(t *testing.T) {
	dir := closed(t)
	must(t, ledger.SetVersion(t.Context(), dir, 1_000))
	if _, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, Logger: zaptest.NewLogger(t)}); !errors.Is(err, ledger.ErrNewer) {
		t.Errorf("%v, want ErrNewer", err)
	}
	if list, _ := filepath.Glob(filepath.Join(dir, "*damaged*")); len(list) > 0 {
		t.Errorf("set aside: %v", list)
	}
}

// TestRetention: the oldest go first, and nothing of a watch.
func TestRetention(t *testing.T) {
	now := start.Add(time.Hour)
	dir := t.TempDir()
	l := openWith(t, ledger.Options{Dir: dir, Now: func() time.Time { return now }, Retain: ledger.Retention{Age: 30 * time.Minute}})
	ctx := t.Context()
	armed := start.Add(10 * time.Minute)
	must(t, l.Append(ctx, []bench.Event{event("s2", bench.WatchArmed, armed, 1)})) // first: the keeper retires when it likes
	for _, s := range []string{"s1", "s2"} {
		l.Begin(s, start, wiring)
		l.Record(bench.Observation{At: start, Station: s, Fact: bench.USB{Change: bench.USBRemove, Port: "1-1"}})
		l.Record(bench.Observation{At: start, Station: s, Fact: bench.Mark{Kind: bench.MarkNote, Text: "kept"}})
	}
	for m := range 60 {
		for _, s := range []string{"s1", "s2"} {
			for n := range 60 {
				l.Record(reading(s, start.Add(time.Duration(m)*time.Minute+time.Duration(n)*time.Second), 1000))
			}
		}
		must(t, l.Fold(ctx))
	}
	must(t, l.Retire(ctx))
	oldest := func(station string) (first time.Time, facts int) {
		for _, o := range all(t, l.Observations(ctx, ledger.Query{Station: station})) {
			switch o.Fact.(type) {
			case bench.Power:
				if first.IsZero() {
					first = o.At
				}
			default:
				facts++
			}
		}
		return first, facts
	}
	if first, facts := oldest("s1"); first.Before(start.Add(29*time.Minute)) || first.After(start.Add(30*time.Minute)) || facts != 1 {
		t.Errorf("s1 begins at %v with %d facts: want half an hour, and the mark alone", first.Sub(start), facts)
	}
	if first, _ := oldest("s2"); first.Before(armed.Add(-time.Minute)) || first.After(armed) {
		t.Errorf("s2 begins at %v: want it from the arming on", first.Sub(start))
	}
}

func TestRetentionBySize(t *testing.T) {
	const most = 400_000
	l := openWith(t, ledger.Options{Dir: t.TempDir(), Retain: ledger.Retention{Bytes: most}})
	ctx := t.Context()
	rnd := rand.New(rand.NewPCG(1, 1))
	for m := range 30 {
		for n := range 6000 {
			l.Record(reading("s1", start.Add(time.Duration(m)*time.Minute+time.Duration(n)*10*time.Millisecond), unit.Current(1000*rnd.IntN(2000))))
		}
		must(t, l.Fold(ctx))
	}
	must(t, l.Retire(ctx))
	used, err := l.Used(ctx)
	must(t, err)
	if used > most || used < most/4 || l.Counts().RetiredBlocks == 0 {
		t.Errorf("%d bytes used, want up to %d", used, most)
	}
}
