package life_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"benchvigil/internal/alert/life"
	"benchvigil/internal/bench"
)

// world is a bench on which everything happens in any order.
type world struct {
	*rapid.T
	forward bool // the clock is never set back
	book    *life.Book
	now     time.Time
	holds   map[string]time.Time // what the marks of people say
	events  []bench.Event
	last    map[bench.AlertPoint]bench.AlertView
}

func newWorld(t *rapid.T) *world {
	return &world{T: t, book: life.New(), now: epoch, holds: map[string]time.Time{}, last: map[bench.AlertPoint]bench.AlertView{}}
}

var stations = []string{"left", "right", ""}

func (w *world) point() bench.AlertPoint {
	return bench.AlertPoint{
		Station: rapid.SampledFrom(stations).Draw(w.T, "station"),
		Kind:    rapid.SampledFrom([]bench.AlertKind{bench.AlertDropped, bench.AlertDraw}).Draw(w.T, "kind"),
	}
}

func (w *world) alert() bench.Alert {
	p := w.point()
	a := bench.Alert{
		Station: p.Station, Kind: p.Kind, Since: w.now, Passing: rapid.Bool().Draw(w.T, "news"),
		Severity: rapid.SampledFrom(bench.Severities()).Draw(w.T, "severity"), Text: fmt.Sprint(len(w.events)),
	}
	a.Key = p.KeyAt(w.now)
	if v, ok := w.last[p]; ok && rapid.Bool().Draw(w.T, "the same") {
		a.Key, a.Since = v.Key, v.Since
	}
	return a
}

func (w *world) keys() []string {
	out := []string{"left", "bench", "nowhere"}
	for _, p := range w.points() {
		out = append(out, p.String(), w.last[p].Key)
	}
	return out
}

func (w *world) points() []bench.AlertPoint {
	return slices.SortedFunc(maps.Keys(w.last), func(a, b bench.AlertPoint) int { return strings.Compare(a.String(), b.String()) })
}

// move does one thing.
func (w *world) move() {
	switch rapid.SampledFrom([]string{"raise", "raise", "amend", "return", "act", "act", "hold", "time", "time", "back", "restart"}).Draw(w.T, "what") {
	case "raise":
		w.take(w.book.Raise(w.alert(), w.now))
	case "amend":
		w.take(w.book.Amend(w.alert(), w.now))
	case "return":
		w.take(w.book.Return(w.point(), w.now, "over"))
	case "act":
		a := bench.AlertAct{Do: rapid.SampledFrom(bench.AlertDeeds()).Draw(w.T, "deed"), Key: rapid.SampledFrom(w.keys()).Draw(w.T, "key"), By: "Anna"}
		if a.Do == bench.DeedShelve {
			a.For = time.Duration(rapid.IntRange(0, 720).Draw(w.T, "minutes")) * time.Minute
		}
		events, err := w.book.Act(a, w.now)
		if (err == nil) == (len(events) == 0) {
			w.Fatalf("%+v: %d events, %v", a, len(events), err)
		}
		w.take(events)
	case "hold":
		station := rapid.SampledFrom(stations).Draw(w.T, "held")
		w.holds[station] = w.now.Add(time.Duration(rapid.IntRange(-30, 120).Draw(w.T, "for")) * time.Minute)
		w.take(w.book.Hold(station, w.holds[station], w.now))
	case "time":
		w.now = w.now.Add(time.Duration(rapid.IntRange(0, 20_000_000).Draw(w.T, "ms")) * time.Millisecond)
		w.tick()
	case "back":
		if w.forward {
			return
		}
		w.now = w.now.Add(-time.Duration(rapid.IntRange(0, 20_000_000).Draw(w.T, "back ms")) * time.Millisecond)
		w.tick()
	case "restart":
		w.restart()
	}
}

// tick lets time pass, after which nothing may wait for what is past.
func (w *world) tick() {
	w.take(w.book.Tick(w.now))
	for _, v := range w.book.Views() {
		waits := v.State == bench.AlertShelved || v.State == bench.AlertSuppressed
		if waits && (!v.Until.After(w.now) || v.Until.Sub(w.now) > bench.MostShelve+time.Minute) {
			w.Fatalf("%s is %s until %v, now it is %v", v.Key, v.State, v.Until, w.now)
		}
	}
}

// take checks what a step tells.
func (w *world) take(events []bench.Event) {
	for _, e := range events {
		v := *e.Data.Alert
		w.judge(e.Type, w.last[v.Point()], v)
		w.last[v.Point()] = v
		w.events = append(w.events, e)
	}
	for _, v := range w.book.Views() {
		if d := cmp.Diff(w.last[v.Point()], v, maybes); d != "" {
			w.Fatalf("the book is not what was told (-told +book)\n%s", d)
		}
	}
}

func (w *world) judge(t bench.EventType, before, v bench.AlertView) {
	same, rings := before.Key == v.Key, v.State == bench.AlertUnacknowledged || v.State == bench.AlertReturned && v.Passing
	switch {
	case same && before.State == bench.AlertAcknowledged && rings && (t != bench.AlertWasRaised || v.Severity == before.Severity):
		w.Fatalf("%s is acknowledged, and rings again by %s", v.Key, t)
	case before.State == bench.AlertOutOfService && t != bench.AlertWasPutBack && v.State != bench.AlertOutOfService:
		w.Fatalf("%s came back to service by %s", v.Key, t)
	case before.State == bench.AlertOutOfService && v.State == bench.AlertOutOfService && !v.Raised.IsZero() && !v.Raised.Equal(before.Raised):
		w.Fatalf("%s is told, and out of service", v.Key)
	case rings && v.Raised.IsZero(), rings && !v.Acked.IsZero():
		w.Fatalf("%s rings: raised %v, acknowledged %v", v.Key, v.Raised, v.Acked)
	case v.State == bench.AlertAcknowledged && (v.Acked.IsZero() || !v.Stands):
		w.Fatalf("%s is acknowledged: %+v", v.Key, v)
	case (v.State == bench.AlertUnacknowledged) && !v.Stands, v.State == bench.AlertNormal && v.Stands:
		w.Fatalf("%s is %s; stands: %v", v.Key, v.State, v.Stands)
	}
}

// restart makes the book again from its events as a file keeps them, and hands
// it what the stations say of hands on. From there on both books agree.
func (w *world) restart() {
	fresh := life.New()
	for _, e := range w.events {
		fresh.Apply(kept(w.T, e))
	}
	w.compare(fresh)
	for _, station := range stations {
		var until time.Time
		if w.holds[station].After(w.now) {
			until = w.holds[station]
		}
		want, got := w.book.Hold(station, until, w.now), fresh.Hold(station, until, w.now)
		if d := cmp.Diff(want, got, maybes, cmpopts.EquateEmpty()); d != "" {
			w.Fatalf("after a restart, hands on %q (-old +new)\n%s", station, d)
		}
		w.take(want)
	}
	want, got := w.book.Tick(w.now), fresh.Tick(w.now)
	if d := cmp.Diff(want, got, maybes, cmpopts.EquateEmpty()); d != "" {
		w.Fatalf("after a restart, a tick (-old +new)\n%s", d)
	}
	w.take(want)
	w.compare(fresh)
	w.book = fresh
}

func (w *world) compare(fresh *life.Book) {
	if d := cmp.Diff(w.book.Views(), fresh.Views(), maybes); d != "" {
		w.Fatalf("the book made of its events is another (-old +new)\n%s", d)
	}
	for p := range w.last {
		old, _ := w.book.Find(p.String())
		again, ok := fresh.Find(p.String())
		if d := cmp.Diff(old, again, maybes); !ok || d != "" {
			w.Fatalf("%s is another (-old +new)\n%s", p, d)
		}
	}
}

func kept(t *rapid.T, e bench.Event) bench.Event {
	text, err := json.Marshal(e.Data.Alert)
	if err != nil {
		t.Fatal(err)
	}
	var v bench.AlertView
	if err := json.Unmarshal(text, &v); err != nil {
		t.Fatal(err)
	}
	e.Data.Alert = &v
	return e
}

func TestAnyLife(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(t)
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			w.move()
		}
		w.restart()
		// At the end of all times that were set, what stands rings, unless
		// somebody sees to it or switched it off.
		w.now = w.now.Add(bench.MostShelve + bench.MostHandsOn + time.Minute)
		w.tick()
		for _, v := range w.last {
			quiet := v.State == bench.AlertAcknowledged || v.State == bench.AlertOutOfService
			if v.Stands && !quiet && v.State != bench.AlertUnacknowledged {
				t.Fatalf("%s stands and is %s", v.Key, v.State)
			}
		}
	})
}

// TestEventsAreTold: while the clock goes forward, no two events have the same
// identity, for the ledger would take the second for the first.
func TestEventsAreTold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(t)
		w.forward = true
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			w.move()
		}
		ids := map[string]int{}
		for i, e := range w.events {
			if at, ok := ids[e.ID()]; ok {
				t.Fatalf("events %d and %d are one: %s %s %v", at, i, e.Type, e.Data.Alert.Key, e.Time)
			}
			ids[e.ID()] = i
		}
	})
}
