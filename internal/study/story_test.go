package study

import (
	"bytes"
	"encoding/json"
	"slices"
	"testing"
	"time"

	"benchvigil/internal/bench"
)

// Every story keeps its word: time never goes back, the truth has no holes, and
// what it calls no stall moves within the quiet limit.
func TestStories(t *testing.T) {
	for i := range scenarios {
		sc := &scenarios[i]
		t.Run(sc.name, func(t *testing.T) {
			for n := range 2 {
				tellStory(t, job{sc, Tune, n, 15 * minute})
			}
		})
	}
}

func tellStory(t *testing.T, j job) {
	t.Helper()
	var last time.Time
	seen := map[string]int{}
	w := &mover{}
	truth := j.tell(func(bench.Hookup) {}, func(o bench.Observation) {
		if o.At.Before(last) || o.At.Nanosecond()%1e6 != 0 {
			t.Fatalf("%s: %v after %v", j.name(), o.At, last)
		}
		last = o.At
		seen[kindOf(o.Fact)]++
		w.see(o)
	})
	if seen["clock"] != 1 || seen["usb"] == 0 && j.sc.name != "leak" {
		t.Errorf("%s: observed %v", j.name(), seen)
	}
	for i, s := range truth.Spans {
		if s.From >= s.To || i > 0 && s.From != truth.Spans[i-1].To {
			t.Errorf("%s: span %d: %+v", j.name(), i, s)
		}
	}
	for _, d := range truth.Drops {
		if d.Class == byCurrent && d.Seen > 0 && (d.First < d.At || d.End < d.First) {
			t.Errorf("%s: drop %+v", j.name(), d)
		}
	}
	w.check(t, j, truth)
}

func kindOf(f bench.Fact) string {
	switch f.(type) {
	case bench.USB:
		return "usb"
	case bench.Clock:
		return "clock"
	}
	return "other"
}

// mover notes when traffic and identities moved, independently of the story.
type mover struct {
	moved  []ms
	counts int
	id     bench.USBID

	worked    []ms // by the current
	block     ms
	sum, mean float64
	n         int
	urbs      uint64
}

func (w *mover) see(o bench.Observation) {
	at := o.At.Sub(epoch).Milliseconds()
	switch f := o.Fact.(type) {
	case bench.USB:
		if f.Change == bench.USBAdd && f.ID == w.id {
			return // seen again, which is no movement
		}
		w.moved, w.urbs, w.id = append(w.moved, at), 0, f.ID
	case bench.Power:
		w.level(at, f.Amps.Or(0).Amps())
	case bench.Traffic:
		w.counts++
		if f.URBs >= w.urbs+5 {
			w.moved = append(w.moved, at)
		}
		w.urbs = f.URBs
	}
}

// level notes that the mean of ten seconds left that of the ten before by an
// eighth: a current that works.
func (w *mover) level(at ms, amps float64) {
	if at/(10*second) != w.block {
		mean := w.sum / float64(w.n)
		if w.n > 0 && w.mean > 0 && abs(mean-w.mean) > w.mean/8 {
			w.worked = append(w.worked, at)
		}
		w.block, w.sum, w.n, w.mean = at/(10*second), 0, 0, mean
	}
	w.sum += amps
	w.n++
}

// check looks for a time in a restore in which nothing moved for longer than
// the quiet limit, and that the story does not call a stall.
func (w *mover) check(t *testing.T, j job, truth *truth) {
	if w.counts == 0 {
		return // nothing counts traffic there: the current must tell
	}
	const quiet = 120 * second
	for _, s := range truth.Spans {
		if s.Mode != bench.Restoring {
			continue
		}
		last := s.From
		for _, at := range append(slices.Clone(w.moved), s.To) {
			if at < s.From || at > s.To {
				continue
			}
			stalled := slices.ContainsFunc(truth.Stalls, func(x stall) bool { return x.From < at && last < x.To })
			if at-last > quiet && !stalled && !w.workedWithin(last, at, quiet) {
				t.Errorf("%s: nothing moved from %d to %d ms, which is called no stall", j.name(), last, at)
			}
			if stalled && at < s.To && last >= s.From && at-last < quiet && inside(truth.Stalls, at) {
				t.Errorf("%s: something moved at %d ms, in a stall", j.name(), at)
			}
			last = at
		}
	}
}

// workedWithin reports that the current moved often enough between two moments.
func (w *mover) workedWithin(from, to, quiet ms) bool {
	for _, at := range w.worked {
		if at > from && at < to {
			if at-from > quiet {
				return false
			}
			from = at
		}
	}
	return to-from <= quiet
}

func inside(stalls []stall, at ms) bool {
	return slices.ContainsFunc(stalls, func(x stall) bool { return x.From+second < at && at < x.To })
}

// A shorter job is the beginning of a longer one, so that a dump shows what a
// short study saw.
func TestShortJobIsTheBeginning(t *testing.T) {
	sc, err := find("restore")
	if err != nil {
		t.Fatal(err)
	}
	tell := func(ends ms) (out []bench.Observation) {
		job{sc, Tune, 1, ends}.tell(func(bench.Hookup) {}, func(o bench.Observation) { out = append(out, o) })
		return out[:len(out)-1] // without its end
	}
	short, long := tell(minute), tell(2*hour)
	if len(short) >= len(long) {
		t.Fatalf("%d and %d observations", len(short), len(long))
	}
	for i := range short[:len(short)-100] { // but for the last seconds, played after the story
		if short[i] != long[i] {
			t.Fatalf("observation %d: %v and %v", i, short[i], long[i])
		}
	}
}

// The outcome is the same however many work at it, and another with other seeds.
func TestDeterministic(t *testing.T) {
	study := func(seeds string, workers int) string {
		r, err := Run(Options{Hours: 4, Seeds: seeds, Workers: workers})
		if err != nil {
			t.Fatal(err)
		}
		b, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		var table bytes.Buffer
		r.Table(&table, r)
		w, err := json.Marshal(r.Worst)
		if err != nil {
			t.Fatal(err)
		}
		return string(b) + table.String() + string(w)
	}
	one := study(Tune, 1)
	if study(Tune, 5) != one {
		t.Error("five workers come to another outcome than one")
	}
	if study(Report, 1) == one {
		t.Error("both sets of seeds give the same")
	}
}

func TestRefused(t *testing.T) {
	for _, o := range []Options{{Hours: 1, Seeds: "mine"}, {Hours: 1, Seeds: Tune, Scenario: "picnic"}} {
		if _, err := Run(o); err == nil {
			t.Errorf("%+v was not refused", o)
		}
	}
	for _, name := range []string{"", "restore:tune", "picnic:tune:1", "restore:tune:x", "restore:mine:1"} {
		if _, err := Tell(name, func(bench.Hookup) {}, func(bench.Observation) {}); err == nil {
			t.Errorf("job %q was not refused", name)
		}
	}
}

// What was kept of a result gives the same table again.
func TestResultRead(t *testing.T) {
	r, err := Run(Options{Hours: 1, Seeds: Tune, Workers: 1, Scenario: "dips"})
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	again, err := Read(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	var want, got bytes.Buffer
	r.Table(&want, nil)
	again.Table(&got, nil)
	if want.String() != got.String() {
		t.Errorf("want:\n%s\ngot:\n%s", want.String(), got.String())
	}
}
