package ledger_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"
	"golang.org/x/sys/unix"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
)

const limitDir = "BENCHVIGIL_LEDGER_LIMIT"

func init() { children[limitDir] = limited }

// TestRefusedWrites lets the system refuse writes in the middle of
// transactions, in a process of its own: no file may grow beyond a limit.
func TestRefusedWrites(t *testing.T) {
	dir := t.TempDir()
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), limitDir+"="+dir)
	out, err := cmd.CombinedOutput()
	if err != nil || !strings.HasPrefix(string(out), "refused") {
		t.Fatalf("%v: %s", err, out)
	}
	var n int
	if _, err := fmt.Sscanf(string(out), "refused, then %d written", &n); err != nil {
		t.Fatalf("%s: %v", out, err)
	}
	l := open(t, dir)
	if got := all(t, l.Events(t.Context(), ledger.Query{})); len(got) != n {
		t.Errorf("%d events, want all %d", len(got), n)
	}
	if findings, err := l.Check(t.Context()); err != nil || len(findings) > 0 || len(l.Aside()) > 0 {
		t.Errorf("%v, %v, %v", findings, err, l.Aside())
	}
}

// limited appends until that is refused, then lifts the limit.
func limited(dir string) error {
	signal.Ignore(unix.SIGXFSZ)
	ctx := context.Background()
	l, err := ledger.Open(ctx, ledger.Options{Dir: dir, Logger: zap.NewNop()})
	if err != nil {
		return err
	}
	l.Begin("s1", start, wiring)
	var before syscall.Rlimit
	if err := syscall.Getrlimit(unix.RLIMIT_FSIZE, &before); err != nil {
		return err
	}
	few := before
	few.Cur = 600_000
	if err := syscall.Setrlimit(unix.RLIMIT_FSIZE, &few); err != nil {
		return err
	}
	n, refused := 0, 0
	for ; refused < 20 && n < 20_000; n++ {
		at := start.Add(time.Duration(n) * time.Second)
		l.Record(reading("s1", at, 1000))
		if l.Append(ctx, []bench.Event{event("s1", bench.StallRaised, at, uint64(n))}) != nil {
			refused++
		}
	}
	if refused == 0 || l.Trouble() == nil {
		return fmt.Errorf("nothing was refused in %d", n)
	}
	if l.Sizes().Waiting == 0 {
		return fmt.Errorf("nothing waits, though %d were refused", refused)
	}
	if err := syscall.Setrlimit(unix.RLIMIT_FSIZE, &before); err != nil {
		return err
	}
	if err := l.Flush(ctx); err != nil {
		return fmt.Errorf("flush with room again: %w", err)
	}
	if waits := l.Sizes().Waiting; waits != 0 {
		return fmt.Errorf("%d bytes wait, though all is written", waits)
	}
	fmt.Printf("refused, then %d written\n", n)
	return l.Close()
}
