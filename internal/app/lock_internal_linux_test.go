package app

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Two watches do not mix their lines in one file.
func TestOneWatchAFile(t *testing.T) {
	plan := &Plan{Events: filepath.Join(t.TempDir(), "events.jsonl")}
	first, err := openRecord(plan)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := openRecord(plan); !errors.Is(err, ErrRecord) || !strings.Contains(err.Error(), plan.Events+": another benchvigil writes to it") {
		t.Errorf("the second: %v, want the file named", err)
	}
	if err := first.close(); err != nil {
		t.Fatal(err)
	}
	next, err := openRecord(plan)
	if err != nil {
		t.Fatalf("after the first has ended: %v", err)
	}
	if err := next.close(); err != nil {
		t.Error(err)
	}
}

// What is no file of its own may be shared.
func TestDevicesAreNotLocked(t *testing.T) {
	for range 2 {
		s, err := openSheet(os.DevNull, os.O_APPEND)
		if err != nil {
			t.Fatal(err)
		}
		defer s.f.Close() //nolint:errcheck // nothing was written
	}
}
