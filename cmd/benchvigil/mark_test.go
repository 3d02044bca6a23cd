package main

import (
	"strings"
	"testing"
)

// Only a clear yes ends a run.
func TestAgreed(t *testing.T) {
	for answer, want := range map[string]bool{"y\n": true, " YES\n": true, "y": true, "\n": false, "": false, "n\n": false, "yep\n": false} {
		var asked strings.Builder
		if got := agreed(strings.NewReader(answer), &asked, "1.02 A flows in restoring: end this run?"); got != want {
			t.Errorf("%q: %v, want %v", answer, got, want)
		}
		if asked.String() != "1.02 A flows in restoring: end this run? [y/N] " {
			t.Errorf("asked %q", asked.String())
		}
	}
}
