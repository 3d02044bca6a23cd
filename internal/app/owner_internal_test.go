//go:build unix

package app

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"go.uber.org/zap"
)

// Whatever root does with the ledger of a user, the user owns all of it
// afterwards, and nothing else in the folder changes hands.
func TestRootLeavesTheLedgerToItsOwner(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root can act for another user")
	}
	const user = 12345
	p := &Plan{Bench: "b", Data: filepath.Join(t.TempDir(), "data"), Logger: zap.NewNop()}
	r, err := openRecord(p)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.close(); err != nil {
		t.Fatal(err)
	}
	other := filepath.Join(p.Data, "notes")
	linked := filepath.Join(p.Data, "ledger.db-linked")
	for _, err := range []error{os.WriteFile(other, nil, 0o600), os.Link(other, linked), os.Symlink(other, filepath.Join(p.Data, "ledger.db.symlink")), os.Chown(p.Data, user, user)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := handOver(p.Data); err != nil {
		t.Fatal(err)
	}
	backup := filepath.Join(t.TempDir(), "backup.db")
	o := DataOptions{Data: p.Data, Out: io.Discard, Logger: zap.NewNop()}
	for _, step := range []struct {
		name string
		do   func() error
	}{
		{"history", func() error { return History(t.Context(), HistoryOptions{DataOptions: o}) }},
		{"backup", func() error { return BackUp(t.Context(), o, backup) }},
		{"check", func() error { return CheckLedger(t.Context(), o) }},
		{"rebuild", func() error { return RebuildLedger(t.Context(), o) }},
		{"vacuum", func() error { return VacuumLedger(t.Context(), o) }},
		{"restore", func() error { return Restore(t.Context(), o, backup) }},
		{"a ledger that is set aside", func() error {
			return errors.Join(os.WriteFile(filepath.Join(p.Data, "ledger.db"), []byte("damaged beyond all reading"), 0o600), VacuumLedger(t.Context(), o))
		}},
	} {
		if err := step.do(); err != nil {
			t.Errorf("%s: %v", step.name, err)
		}
		for name, owner := range owners(t, p.Data) {
			if rooted := name == "notes" || name == "ledger.db-linked" || name == "ledger.db.symlink"; (owner == 0) != rooted || !rooted && owner != user {
				t.Errorf("after %s, %s is user %d's", step.name, name, owner)
			}
		}
	}
}

func owners(t *testing.T, dir string) map[string]uint32 {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]uint32{}
	for _, e := range entries {
		info, err := e.Info()
		if err != nil {
			t.Fatal(err)
		}
		out[e.Name()] = ownerOf(info).Uid
	}
	return out
}
