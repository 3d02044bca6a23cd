package app

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
)

// keepAll commits events and tells them on, as the desk and the record do.
func keepAll(t *testing.T, r *record, events []bench.Event) {
	t.Helper()
	if err := r.store.Append(t.Context(), events); err != nil {
		t.Fatal(err)
	}
	r.tell(events)
}

// What earlier watches told is learnt from the ledger where there is no file of
// events; a second watch on it is refused.
func TestLedgerRemembers(t *testing.T) {
	p := &Plan{Bench: "b", Data: t.TempDir(), Logger: zap.NewNop()}
	r, err := openRecord(p)
	if err != nil {
		t.Fatal(err)
	}
	stay := bench.Stay{Profile: "p", Mode: bench.Restoring, Lasted: time.Hour, Quiet: time.Minute, Finished: true}
	keepAll(t, r, []bench.Event{{Station: "s1", Type: bench.ModeChanged, Time: time.Now(), Concluded: time.Now(), Count: 1, Data: bench.EventData{Ended: &stay}}})
	if _, err := openRecord(p); !errors.Is(err, ErrRecord) || !errors.Is(err, ledger.ErrLocked) {
		t.Errorf("a second one: %v, want ErrRecord and ErrLocked", err)
	}
	if err := errors.Join(r.health(), r.close()); err != nil {
		t.Fatal(err)
	}
	if r, err = openRecord(p); err != nil {
		t.Fatal(err)
	}
	if got := r.memory.learnt("p").Stays; len(got) != 1 || got[0] != stay {
		t.Errorf("remembered %+v", got)
	}
	if err := r.close(); err != nil {
		t.Error(err)
	}
}

// A watch that begins to keep a ledger forgets nothing of the file of events
// that an earlier version kept in the folder, at its first start and later; what
// has happened since then is the ledger's to tell.
func TestLedgerTakesUpEarlierEvents(t *testing.T) {
	p := &Plan{Bench: "b", Data: t.TempDir(), Logger: zap.NewNop()}
	armed := bench.Event{Station: "s1", Type: bench.WatchArmed, Time: time.Unix(7, 0), Data: bench.EventData{Goal: "copy", By: "kim"}}
	line, err := armed.CloudEvent("b")
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(p.Data, earlierEvents)
	text := told(t, "p", 100, 200) + string(line) + "\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	again := func(events ...bench.Event) (learnt int, goal *bench.WatchView) {
		r, err := openRecord(p)
		if err != nil {
			t.Fatal(err)
		}
		learnt, goal = len(r.memory.learnt("p").Stays), r.memory.forgot("s1")
		keepAll(t, r, events)
		if err := r.close(); err != nil {
			t.Fatal(err)
		}
		return learnt, goal
	}
	at := func(kind bench.EventType, s int64, d bench.EventData) bench.Event {
		return bench.Event{Station: "s1", Type: kind, Time: time.Unix(s, 0), Concluded: time.Unix(s, 0), Data: d}
	}
	for _, step := range []struct {
		name   string
		tell   bench.Event // after looking
		learnt int
		goal   bool
	}{
		{"at the first start", at(bench.RunStarted, 8, bench.EventData{}), 2, true},
		{"while nobody did anything", at(bench.ModeChanged, 9, bench.EventData{Ended: &bench.Stay{Profile: "p", Mode: bench.Restoring, Lasted: time.Minute}}), 2, true},
		{"with more learnt", at(bench.WatchFailed, 10, bench.EventData{Kind: bench.WatchDisarmed}), 3, true},
		{"once it was put away", at(bench.RunStarted, 11, bench.EventData{}), 3, false},
		{"later", at(bench.RunStarted, 12, bench.EventData{}), 3, false},
	} {
		if learnt, goal := again(step.tell); learnt != step.learnt || (goal != nil) != step.goal {
			t.Errorf("%s: %d learnt, goal %+v; want %d and %v", step.name, learnt, goal, step.learnt, step.goal)
		}
	}
	if b, err := os.ReadFile(file); err != nil || string(b) != text {
		t.Errorf("the file was changed, %v", err)
	}
}

// Who may not enter the folder of the service hears who may.
func TestLedgerOfAnotherUser(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Skip("root may enter any folder")
	}
	dir := filepath.Join(t.TempDir(), "data")
	if err := os.Mkdir(dir, 0); err != nil {
		t.Fatal(err)
	}
	o := DataOptions{Data: dir, Out: io.Discard, Logger: zap.NewNop()}
	for name, err := range map[string]error{
		"history": History(t.Context(), HistoryOptions{DataOptions: o}), "rebuild": RebuildLedger(t.Context(), o), "restore": Restore(t.Context(), o, "x"),
	} {
		if !errors.Is(err, ErrLedger) || !strings.Contains(err.Error(), "use sudo") {
			t.Errorf("%s: %v", name, err)
		}
	}
}
