package app

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"golang.org/x/sys/unix"

	"benchvigil/internal/alert/dispatch"
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// While the disk of the ledger is full alerts go out from memory, and that it is
// full is told; with room again that is over, and everything is in the ledger.
func TestAlertsOnAFullDisk(t *testing.T) {
	t.Parallel()
	r := newBench(t)
	disk := filepath.Join(r.dir, "data")
	if err := os.Mkdir(disk, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("tmpfs", disk, "tmpfs", 0, "size=2m"); err != nil {
		t.Skipf("mount a small disk: %v", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(disk, 0); err != nil {
			t.Error(err)
		}
	})
	r.configure(twoWays)
	d, l, err := deskOf(r.dir, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	phone := &ear{}
	d.post.Replace(map[string]dispatch.Outlet{"phone": phone, "mail": &ear{}}, d.ways.Load().limits)
	ctx, cancel := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { _ = d.post.Run(ctx) })
	running.Go(func() { _ = d.watch(ctx, func() []bench.Snapshot { return nil }) })
	var all []heard
	hears := func(what string, fits func(heard) bool) {
		t.Helper()
		Eventually(t, 20*time.Second, what, func() bool {
			found := false
			for _, h := range phone.take() {
				all = append(all, h)
				found = found || fits(h)
			}
			return found
		})
	}
	drop := func(id string) bench.Event {
		now := time.Now().Truncate(time.Millisecond)
		e := bench.Event{Station: id, Type: bench.RunDropped, Time: now, Concluded: now, Count: uint64(now.UnixNano()), Data: bench.EventData{
			Kind: bench.Died, Mode: bench.Running, Uptime: unit.Some(time.Minute),
		}}
		d.tell([]bench.Event{e}, nil)
		return e
	}
	drop("s1")
	hears("a drop while there is room", func(h heard) bool { return h.m.Alert.Station == "s1" && !h.m.Parted })

	other := filepath.Join(disk, "other")
	if err := os.WriteFile(other, make([]byte, 4<<20), 0o600); !errors.Is(err, unix.ENOSPC) {
		t.Fatalf("%v: the disk is to be full", err)
	}
	for l.Trouble() == nil { // until what room there is within its files is used up
		_ = l.Append(t.Context(), []bench.Event{{Station: "s9", Type: bench.StallRaised, Time: time.Now(), Concluded: time.Now(), Count: uint64(time.Now().UnixNano())}})
	}
	e := drop("s2")
	hears("a drop from memory", func(h heard) bool { return h.m.Alert.Event == e.ID() && h.m.Parted })
	hears("that the ledger is in trouble", func(h heard) bool { return h.m.Alert.Kind == bench.AlertLedger && h.m.Deed == "raised" })

	if err := os.Remove(other); err != nil {
		t.Fatal(err)
	}
	hears("that the ledger works again", func(h heard) bool { return h.m.Alert.Kind == bench.AlertLedger && h.m.Deed == "returned" })
	cancel()
	running.Wait()
	if err := l.Flush(t.Context()); err != nil {
		t.Error(err)
	}
	written := map[string]bool{}
	for _, e := range r.ledgered() {
		written[e.ID()] = true
	}
	if !written[e.ID()] {
		t.Error("what was told from memory is not in the ledger afterwards")
	}
	if left, err := l.Due(t.Context(), time.Now().Add(time.Hour), 10); err != nil {
		t.Error(err)
	} else {
		t.Logf("%d messages are in the outbox still; told were %v", len(left), says(all))
	}
	times := map[string]int{}
	for _, h := range all {
		if times[h.id]++; times[h.id] > 1 {
			t.Errorf("%s was told twice by a process that went on", h.id)
		}
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
}
