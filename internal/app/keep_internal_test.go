package app

import (
	"errors"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
)

// What earlier watches told is learnt from the ledger where there is no file of
// events; a second watch on it is refused.
func TestLedgerRemembers(t *testing.T) {
	p := &Plan{Bench: "b", Data: t.TempDir(), Logger: zap.NewNop()}
	r, err := openRecord(p)
	if err != nil {
		t.Fatal(err)
	}
	stay := bench.Stay{Profile: "p", Mode: bench.Restoring, Lasted: time.Hour, Quiet: time.Minute, Finished: true}
	r.tell([]bench.Event{{Station: "s1", Type: bench.ModeChanged, Time: time.Now(), Concluded: time.Now(), Count: 1, Data: bench.EventData{Ended: &stay}}})
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
