package ledger_test

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/unit"
)

const (
	childDir   = "BENCHVIGIL_LEDGER_CHILD"
	killRounds = "BENCHVIGIL_KILL_ROUNDS"
)

// child appends events under load until it is killed. It says the number of
// each event once it is acknowledged.
func child(dir string) error {
	l, err := ledger.Open(context.Background(), ledger.Options{Dir: dir, Logger: zap.NewNop()})
	if err != nil {
		return err
	}
	first, _ := strconv.Atoi(os.Getenv(childDir + "_FIRST"))
	for s := range 4 {
		l.Begin(fmt.Sprint("s", s), time.Now(), wiring)
	}
	acknowledged := make(chan int, 1024)
	for s := range 4 {
		go func() {
			station := fmt.Sprint("s", s)
			for n := first + s; ; n += 4 {
				for i := range 20 {
					l.Record(reading(station, time.Now(), 400_000+unit.Current(1000*i)))
				}
				l.SaveState(station, time.Time{}, []byte(strconv.Itoa(n)))
				e := event(station, bench.RunStarted, time.UnixMilli(int64(n)), uint64(n))
				if err := l.Append(context.Background(), []bench.Event{e}, ledger.Alert{Key: e.ID(), Station: station, Outlet: "phone"}); err != nil {
					fmt.Println("error", err)
					os.Exit(1)
				}
				acknowledged <- n
			}
		}()
	}
	for n := range acknowledged {
		fmt.Println(n)
	}
	return nil
}

// TestKill kills a process that appends under load, at random moments, again
// and again on the same folder: every event that was acknowledged is there
// afterwards, with its alert, none twice, and everything can be read.
func TestKill(t *testing.T) {
	rounds := count(t, killRounds, 100)
	dir := t.TempDir()
	sure, next := map[uint64]bool{}, 1
	for range rounds {
		for _, n := range killedChild(t, dir, next) {
			sure[n] = true
			next = max(next, int(n)+100)
		}
	}
	if len(sure) < rounds {
		t.Fatalf("%d events acknowledged in %d rounds: nothing was tried", len(sure), rounds)
	}
	l := open(t, dir)
	seen := map[uint64]int{}
	for _, e := range all(t, l.Events(t.Context(), ledger.Query{})) {
		seen[e.Count]++
	}
	for n := range sure {
		if seen[n] != 1 {
			t.Errorf("event %d was acknowledged and is there %d times", n, seen[n])
		}
	}
	for n, times := range seen {
		if times != 1 {
			t.Errorf("event %d is there %d times", n, times)
		}
	}
	due, err := l.Due(t.Context(), time.Now(), 1<<30)
	must(t, err)
	if len(due) != len(seen) {
		t.Errorf("%d alerts of %d events", len(due), len(seen))
	}
	if findings, err := l.Check(t.Context()); err != nil || len(findings) > 0 {
		t.Errorf("%v, %v", findings, err)
	}
	if len(l.Aside()) > 0 {
		t.Errorf("set aside: %v", l.Aside())
	}
	t.Logf("%d rounds: %d events acknowledged, %d found", rounds, len(sure), len(seen))
}

// count is how often something is tried: as a variable says, or as it is in
// each test.
func count(t *testing.T, variable string, usual int) int {
	t.Helper()
	s := os.Getenv(variable)
	if s == "" {
		return usual
	}
	n, err := strconv.Atoi(s)
	if err != nil {
		t.Fatalf("%s: %v", variable, err)
	}
	return n
}

// killedChild runs one until it is killed, and returns what it was told. One in
// five is killed while it begins, the others soon after the first event.
func killedChild(t *testing.T, dir string, first int) (sure []uint64) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), childDir+"="+dir, childDir+"_FIRST="+strconv.Itoa(first))
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	killWithin := func(most time.Duration) *time.Timer {
		return time.AfterFunc(rand.N(most), func() { _ = cmd.Process.Kill() })
	}
	early := rand.IntN(5) == 0
	if early {
		defer killWithin(100 * time.Millisecond).Stop()
	}
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		n, err := strconv.ParseUint(lines.Text(), 10, 64)
		if err != nil {
			if strings.HasPrefix(lines.Text(), "error") {
				t.Error(lines.Text())
			}
			break // cut off
		}
		if sure = append(sure, n); len(sure) == 1 && !early {
			defer killWithin(100 * time.Millisecond).Stop()
		}
	}
	_ = cmd.Wait() // killed
	return sure
}
