package app

import (
	"os"
	"path/filepath"
	"testing"
)

// A profile that is named, and not given as a file, has its references beside
// the file that it was found in.
func TestReferencesOfANamedProfile(t *testing.T) {
	folder := t.TempDir()
	t.Setenv("BENCHVIGIL_PROFILES", folder)
	file := filepath.Join(folder, "some.yaml")
	if err := os.WriteFile(file, []byte("name: mine\nmodes: {running: {amps: [0.1, 1]}}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	want := filepath.Join(folder, "traces", "mine")
	for _, named := range []string{"mine", file} {
		if got := (TraceOptions{Profile: named}).references("", "mine"); got != want {
			t.Errorf("references of %s are in %s, want %s", named, got, want)
		}
	}
}
