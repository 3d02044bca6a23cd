package app

import (
	"testing"
	"time"
)

// Eventually waits until ok, for what goes on over real sockets and in real
// processes, where there is no fake clock. The tests outside use it too.
func Eventually(t *testing.T, within time.Duration, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(within); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within %v: %s", within, what)
		}
	}
}
