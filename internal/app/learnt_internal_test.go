package app

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
)

// told are lines of events, each of which ends a restore of a profile that took
// so many seconds.
func told(t *testing.T, profile string, lasted ...int) string {
	t.Helper()
	var b strings.Builder
	for i, s := range lasted {
		e := bench.Event{
			Station: "s1", Type: bench.ModeChanged, Time: time.Unix(int64(i), 0), Concluded: time.Unix(int64(i), 0),
			Data: bench.EventData{Ended: &bench.Stay{Profile: profile, Mode: bench.Restoring, Lasted: time.Duration(s) * time.Second, Finished: true}},
		}
		line, err := e.CloudEvent("b")
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%s\n", line)
	}
	return b.String()
}

// What earlier watches told is learnt from when a record is opened, by profile,
// with a torn last line; what is told from then on is added, and the newest are
// kept.
func TestRecordRemembers(t *testing.T) {
	name := filepath.Join(t.TempDir(), "events.jsonl")
	text := told(t, "p", 100, 200) + told(t, "q", 300) + "{\"specversion\":\"1.0\"}\n\n" + told(t, "p", 400)[:40]
	if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := openRecord(&Plan{Bench: "b", Events: name, Logger: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	lasted := func(profile string) (out []time.Duration) {
		for _, s := range r.memory.learnt(profile).Stays {
			out = append(out, s.Lasted)
		}
		return out
	}
	if got := fmt.Sprint(lasted("p"), lasted("q"), lasted("other")); got != "[1m40s 3m20s] [5m0s] []" {
		t.Errorf("remembered %s", got)
	}
	r.tell([]bench.Event{{Type: bench.RunStarted}, {Data: bench.EventData{Ended: &bench.Stay{Profile: "p", Mode: bench.RePairing, Lasted: time.Hour}}}})
	if got := fmt.Sprint(lasted("p")); got != "[1m40s 3m20s 1h0m0s]" {
		t.Errorf("with one of this watch: %s", got)
	}
	for i := range 2 * mostRemembered {
		r.memory.add(&bench.Stay{Profile: "q", Mode: bench.Restoring, Lasted: time.Duration(i)})
	}
	if got := lasted("q"); len(got) != mostRemembered || got[0] != mostRemembered {
		t.Errorf("%d kept, from %d on", len(got), got[0])
	}
	if err := r.close(); err != nil {
		t.Fatal(err)
	}
}

func TestRecallCountsTornLines(t *testing.T) {
	var m memory
	torn, err := m.recall(strings.NewReader("x\n" + told(t, "p", 100) + "{\"data\":{\"ended\":{\"mode\":\"resting\"}}}\n" + told(t, "p", 200)[:60]))
	if torn != 3 || err != nil || len(m.learnt("p").Stays) != 1 {
		t.Errorf("%d torn, %v, %+v", torn, err, m.stays)
	}
}

// A goal that was armed when the program stopped is remembered by station, the
// newest, until it ends.
func TestRecordRemembersGoals(t *testing.T) {
	event := func(station string, kind bench.EventType, goal string) bench.Event {
		return bench.Event{Station: station, Type: kind, Time: time.Unix(7, 0), Data: bench.EventData{Goal: goal, By: "kim"}}
	}
	var text strings.Builder
	for _, e := range []bench.Event{
		event("s1", bench.WatchArmed, "stay"), event("s1", bench.WatchFailed, "stay"), event("s1", bench.WatchArmed, "copy"),
		event("s2", bench.WatchArmed, "copy"), event("s2", bench.WatchDone, "copy"),
	} {
		line, err := e.CloudEvent("b")
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&text, "%s\n", line)
	}
	var m memory
	if torn, err := m.recall(strings.NewReader(text.String())); torn != 0 || err != nil {
		t.Fatal(torn, err)
	}
	w := m.forgot("s1")
	if w == nil || w.Goal.Kind != bench.GoalCopy || w.By != "kim" || !w.Armed.Equal(time.Unix(7, 0)) || m.forgot("s2") != nil {
		t.Errorf("%+v, %+v", w, m.forgot("s2"))
	}
	m.follow(newsOf(event("s1", bench.RunDropped, "")))
	m.follow(newsOf(event("s2", bench.WatchArmed, "stay 3h")))
	if m.forgot("s1") == nil || m.forgot("s2") == nil {
		t.Error("what goes on now is not followed")
	}
	if m.follow(newsOf(event("s1", bench.WatchDone, "copy"))); m.forgot("s1") != nil {
		t.Error("what has ended is remembered")
	}
}

// Without a file of events the ledger knows which goals were armed.
func TestLedgerRemembersGoals(t *testing.T) {
	p := &Plan{Bench: "b", Data: t.TempDir(), Logger: zap.NewNop()}
	again := func(events ...bench.Event) *bench.WatchView {
		r, err := openRecord(p)
		if err != nil {
			t.Fatal(err)
		}
		w := r.memory.forgot("s1")
		keepAll(t, r, events)
		if err := r.close(); err != nil {
			t.Fatal(err)
		}
		return w
	}
	armed := bench.Event{Station: "s1", Type: bench.WatchArmed, Time: time.Unix(7, 0), Concluded: time.Unix(7, 0), Data: bench.EventData{Goal: "copy", By: "kim"}}
	ended := bench.Event{Station: "s1", Type: bench.WatchFailed, Time: time.Unix(8, 0), Concluded: time.Unix(8, 0), Data: bench.EventData{Kind: bench.WatchDisarmed, Goal: "copy"}}
	if w := again(armed); w != nil {
		t.Errorf("before any: %+v", w)
	}
	if w := again(ended); w == nil || w.Goal.Kind != bench.GoalCopy || !w.Armed.Equal(time.Unix(7, 0)) {
		t.Errorf("armed: %+v", w)
	}
	if w := again(); w != nil {
		t.Errorf("ended: %+v", w)
	}
}
