package app

import (
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
)

// The metrics are given what the ledger counts, and nothing where none is kept.
func TestMetricsOfTheLedger(t *testing.T) {
	if (&record{}).stored() != nil {
		t.Error("metrics of a ledger that is not kept")
	}
	r, err := openRecord(&Plan{Bench: "b", Data: t.TempDir(), Logger: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	tell := r.stored()
	for range 3 {
		r.observe(bench.Observation{At: time.Now(), Station: "s1", Fact: bench.Traffic{URBs: 1}})
	}
	keepAll(t, r, []bench.Event{{Station: "s1", Type: bench.RunStarted, Time: time.Now(), Concluded: time.Now(), Count: 1}})
	if got := tell(); got.Readings != 3 || got.Events != 1 || got.Commits == 0 || got.FailedCommits != 0 || !got.TroubleSince.IsZero() {
		t.Errorf("%+v", got)
	}
	if err := r.close(); err != nil {
		t.Fatal(err)
	}
}
