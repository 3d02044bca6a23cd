package usb_test

import (
	"context"
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"benchvigil/internal/usb"
)

// loopback is a device that every Linux has; writing an action to its uevent
// file makes the kernel send a synthetic one (Documentation/ABI/testing/
// sysfs-uevent).
const (
	loopbackFile = "/sys/class/net/lo/uevent"
	loopbackPath = "/devices/virtual/net/lo"
)

// trigger makes the running kernel send a uevent, or skips the test.
func trigger(tb testing.TB) {
	tb.Helper()
	if err := os.WriteFile(loopbackFile, []byte("change"), 0); err != nil {
		tb.Skipf("no uevent can be triggered here: %v", err)
	}
}

func listenKernel(tb testing.TB) usb.Receiver {
	tb.Helper()
	rx, err := usb.ListenKernel()
	if err != nil {
		tb.Skipf("uevents are refused here: %v", err)
	}
	tb.Cleanup(func() {
		if err := rx.Close(); err != nil && !errors.Is(err, os.ErrClosed) && !errors.Is(err, unix.EBADF) {
			tb.Errorf("close: %v", err)
		}
	})
	return rx
}

// receiveLoopback waits for the next message about the loopback device.
func receiveLoopback(tb testing.TB, rx usb.Receiver) usb.Uevent {
	tb.Helper()
	ctx, cancel := context.WithTimeout(tb.Context(), 10*time.Second)
	defer cancel()
	for {
		u, err := rx.Receive(ctx)
		if err != nil {
			tb.Fatalf("receive: %v", err)
		}
		if u.DevPath == loopbackPath {
			return u
		}
	}
}

func TestKernelSendsUevents(t *testing.T) {
	rx := listenKernel(t)
	trigger(t)
	first := receiveLoopback(t, rx)
	if first.Action != "change" || first.Vars["SUBSYSTEM"] != "net" || first.Vars["INTERFACE"] != "lo" || first.Seq == 0 {
		t.Errorf("got %+v, want a change of lo", first)
	}
	trigger(t)
	if second := receiveLoopback(t, rx); second.Seq <= first.Seq {
		t.Errorf("SEQNUM went from %d to %d", first.Seq, second.Seq)
	}
}

// Messages of a process are not the kernel's, even when root sends them to the
// kernel's group or to our own address.
func TestForgedUeventsAreDropped(t *testing.T) {
	rx := listenKernel(t)
	fd, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.NETLINK_KOBJECT_UEVENT)
	if err != nil {
		t.Skip(err)
	}
	defer unix.Close(fd) //nolint:errcheck // nothing is kept in it
	forged := []byte(strings.ReplaceAll(addBytes, "/devices/pci0000:00/0000:00:14.0/usb1/1-1", loopbackPath))
	to := []unix.SockaddrNetlink{
		{Family: unix.AF_NETLINK, Groups: 1},
		{Family: unix.AF_NETLINK, Pid: uint32(os.Getpid())}, // the kernel gives a process's first socket its pid
	}
	sent := 0
	for i := range to {
		if err := unix.Sendto(fd, forged, 0, &to[i]); err != nil {
			t.Logf("send to %+v: %v", to[i], err)
		} else {
			sent++
		}
	}
	if sent == 0 {
		t.Skip("this kernel lets nobody send")
	}
	trigger(t)
	if u := receiveLoopback(t, rx); u.Action != "change" {
		t.Errorf("received the forged %+v", u)
	}
}

func TestReceiveEndsWithContext(t *testing.T) {
	rx := listenKernel(t)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	for {
		if _, err := rx.Receive(ctx); err != nil {
			if !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("got %v, want deadline exceeded", err)
			}
			return
		}
	}
}

func TestReceiveEndsWithClose(t *testing.T) {
	rx := listenKernel(t)
	done := make(chan error, 1)
	go func() {
		for {
			if _, err := rx.Receive(t.Context()); err != nil {
				done <- err
				return
			}
		}
	}()
	if err := rx.Close(); err != nil {
		t.Fatal(err)
	}
	select {
	case <-done: //nolint:errcheck // how it ends is Close's to say
	case <-time.After(10 * time.Second):
		t.Fatal("Receive still waits")
	}
}

// Three thousand unread messages fit the socket where we may size it.
func TestSocketHoldsAStorm(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("SO_RCVBUFFORCE needs root")
	}
	rx := listenKernel(t)
	const storm = 3000
	for range storm {
		trigger(t)
	}
	for n := range storm {
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		u, err := rx.Receive(ctx)
		cancel()
		if err != nil {
			t.Fatalf("message %d of %d: %v", n+1, storm, err)
		}
		if u.DevPath != loopbackPath {
			t.Logf("passed over %s", u.DevPath)
		}
	}
}

// BenchmarkKernelUevent is the way from a write in sysfs through the kernel to
// a parsed message.
func BenchmarkKernelUevent(b *testing.B) {
	rx := listenKernel(b)
	for b.Loop() {
		trigger(b)
		receiveLoopback(b, rx)
	}
}
