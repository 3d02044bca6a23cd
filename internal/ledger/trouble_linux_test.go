package ledger_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest"
	"golang.org/x/sys/unix"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
)

const (
	nobodyDir = "BENCHVIGIL_LEDGER_NOBODY"
	nobody    = 65534 // an unprivileged user on every Linux
)

func init() { children[nobodyDir] = asNobody }

// smallDisk mounts a small file system in memory, which only root may.
func smallDisk(t *testing.T, size string) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size="+size); err != nil {
		t.Skipf("mount a small disk: %v; TestRefusedWrites tries the same without", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// TestFullDisk lets somebody else fill the disk. Recording waits for nothing
// meanwhile, Trouble says what is wrong, and with room again all that happened is written.
func TestFullDisk(t *testing.T) {
	disk := smallDisk(t, "2m")
	dir, other := filepath.Join(disk, "data"), filepath.Join(disk, "other")
	l := open(t, dir)
	ctx := t.Context()
	l.Begin("s1", start, wiring)
	n, sure := 0, 0
	next := func() error {
		at := start.Add(time.Duration(n) * time.Second)
		l.Record(reading("s1", at, 1000))
		e := event("s1", bench.StallRaised, at, uint64(n))
		n++
		return l.Append(ctx, []bench.Event{e})
	}
	for range 50 {
		must(t, next())
		sure++
	}
	if err := os.WriteFile(other, make([]byte, 4<<20), 0o600); !errors.Is(err, unix.ENOSPC) {
		t.Fatalf("%v: the disk is to be full", err)
	}
	for range 200 {
		if next() == nil {
			sure++
		}
	}
	tr := l.Trouble()
	if tr == nil || !strings.Contains(tr.Err.Error(), dir) || !strings.Contains(tr.Err.Error(), "full") && !strings.Contains(tr.Err.Error(), "I/O") {
		t.Fatalf("%+v: want what is wrong, and where", tr)
	}
	if got := all(t, l.Events(ctx, ledger.Query{})); len(got) < sure {
		t.Errorf("%d events can be read on the full disk, %d were acknowledged", len(got), sure)
	}
	must(t, os.Remove(other))
	must(t, next())
	if l.Trouble() != nil {
		t.Errorf("still in trouble: %+v", l.Trouble())
	}
	must(t, l.Close())
	l = open(t, dir)
	if got := all(t, l.Events(ctx, ledger.Query{})); len(got) != n {
		t.Errorf("%d events, want all %d", len(got), n)
	}
	if got := all(t, l.Observations(ctx, ledger.Query{})); len(got) != n {
		t.Errorf("%d readings, want all %d", len(got), n)
	}
	if findings, err := l.Check(ctx); err != nil || len(findings) > 0 || len(l.Aside()) > 0 {
		t.Errorf("%v, %v, %v", findings, err, l.Aside())
	}
	must(t, l.Close()) // before the disk goes
}

// A ledger is not begun on a disk that is full, which is an error and no
// damage; with room it is.
func TestFullFromTheStart(t *testing.T) {
	disk := smallDisk(t, "64k")
	dir, other := filepath.Join(disk, "data"), filepath.Join(disk, "other")
	if err := os.WriteFile(other, make([]byte, 1<<20), 0o600); !errors.Is(err, unix.ENOSPC) {
		t.Fatalf("%v: the disk is to be full", err)
	}
	_, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, Logger: zaptest.NewLogger(t)})
	if err == nil || !strings.Contains(err.Error(), dir) {
		t.Fatalf("%v: want an error that names the folder", err)
	}
	must(t, os.Remove(other))
	must(t, unix.Mount("tmpfs", disk, "tmpfs", unix.MS_REMOUNT, "size=8m"))
	l := open(t, dir)
	must(t, l.Append(t.Context(), []bench.Event{event("s1", bench.StallRaised, start, 1)}))
	if len(l.Aside()) > 0 {
		t.Errorf("set aside: %v", l.Aside())
	}
	must(t, l.Close())
}

// TestReadOnlyFolder opens a ledger that may only be read, as a user who is
// bound by that; root is not, and lets a child become nobody.
func TestReadOnlyFolder(t *testing.T) {
	dir := closed(t)
	must(t, os.Chmod(filepath.Join(dir, "ledger.db"), 0o444))
	must(t, os.Chmod(filepath.Join(dir, "lock"), 0o444))
	must(t, os.Chmod(filepath.Dir(dir), 0o755))
	must(t, os.Chmod(dir, 0o555))
	t.Cleanup(func() { _ = os.Chmod(dir, 0o700) })
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), nobodyDir+"="+dir)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if text := string(out); !strings.Contains(text, dir) || !strings.Contains(text, "permission denied") {
		t.Errorf("%s: want an error that names the folder, and what is wrong", text)
	}
	if list, _ := filepath.Glob(filepath.Join(dir, "*damaged*")); len(list) > 0 {
		t.Errorf("set aside: %v, though it is only not to be written", list)
	}
	must(t, os.Chmod(dir, 0o700))
	must(t, os.Chmod(filepath.Join(dir, "ledger.db"), 0o600))
	must(t, os.Chmod(filepath.Join(dir, "lock"), 0o600))
	if got := all(t, open(t, dir).Events(t.Context(), ledger.Query{})); len(got) != eventsWritten {
		t.Errorf("%d events, want all %d", len(got), eventsWritten)
	}
}

// asNobody says why a ledger cannot be opened by who may only read it.
func asNobody(dir string) error {
	if os.Geteuid() == 0 {
		if err := errors.Join(syscall.Setgroups(nil), syscall.Setgid(nobody), syscall.Setuid(nobody)); err != nil {
			return err
		}
	}
	if _, err := os.ReadFile(filepath.Join(dir, "ledger.db")); err != nil {
		return fmt.Errorf("it is to be readable: %w", err)
	}
	l, err := ledger.Open(context.Background(), ledger.Options{Dir: dir, Logger: zap.NewNop()})
	if err == nil {
		return errors.Join(errors.New("it was opened"), l.Close())
	}
	fmt.Println(err)
	return nil
}

// TestTwoProcesses: the second is told the number of the first, and may read;
// once the first is killed, the second writes.
func TestTwoProcesses(t *testing.T) {
	dir := t.TempDir()
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), childDir+"="+dir, childDir+"_FIRST=1")
	out, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	if _, err := bufio.NewReader(out).ReadString('\n'); err != nil {
		t.Fatal(err)
	}
	_, err = ledger.Open(t.Context(), ledger.Options{Dir: dir, Logger: zaptest.NewLogger(t)})
	if !errors.Is(err, ledger.ErrLocked) || !strings.Contains(err.Error(), fmt.Sprintf("process %d", cmd.Process.Pid)) || !strings.Contains(err.Error(), dir) {
		t.Errorf("%v, want ErrLocked with the folder and the number of process %d", err, cmd.Process.Pid)
	}
	r, err := ledger.OpenReader(t.Context(), dir)
	must(t, err)
	if got := all(t, r.Events(t.Context(), ledger.Query{})); len(got) == 0 {
		t.Error("no events can be read beside who writes")
	}
	must(t, r.Close())
	must(t, cmd.Process.Kill())
	_ = cmd.Wait() // killed
	must(t, open(t, dir).Append(t.Context(), []bench.Event{event("s1", bench.StallRaised, start, 1_000_000)}))
}
