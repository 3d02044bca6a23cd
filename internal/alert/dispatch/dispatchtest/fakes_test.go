package dispatchtest_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/dispatch/dispatchtest"
)

func TestJournal(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal")
	if times, told, err := dispatchtest.ReadJournal(path); err != nil || len(times)+len(told) > 0 {
		t.Errorf("%v, %v, %v: want nothing of a file that is not there", times, told, err)
	}
	j, err := dispatchtest.NewJournal(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range []alert.Message{{Key: "a"}, {Key: "b", Missed: []alert.Missed{{Key: "x"}, {Key: "y"}}}, {Key: "a"}} {
		if err := j.Deliver(t.Context(), &m); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, append(whole, "torn"...), 0o600); err != nil {
		t.Fatal(err)
	}
	times, told, err := dispatchtest.ReadJournal(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(map[string]int{"a": 2, "b": 1}, times); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(map[string]bool{"x": true, "y": true}, told); d != "" {
		t.Error(d)
	}
}
