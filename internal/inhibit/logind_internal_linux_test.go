package inhibit

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/godbus/dbus/v5"
)

// messageBus starts a bus of our own, or skips the test.
func messageBus(t *testing.T) (address string) {
	t.Helper()
	exe, err := exec.LookPath("dbus-daemon")
	if err != nil {
		t.Skip("no dbus-daemon here")
	}
	address = "unix:path=" + filepath.Join(t.TempDir(), "bus")
	cmd := exec.CommandContext(t.Context(), exe, "--session", "--nofork", "--nopidfile", "--print-address", "--address="+address)
	ready, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	if _, err := ready.Read(make([]byte, 256)); err != nil {
		t.Fatalf("dbus-daemon does not start: %v", err)
	}
	return address
}

// fakeLogind answers as systemd-logind does: a descriptor whose other end sees
// when it is closed (org.freedesktop.login1(5)).
type fakeLogind struct {
	allows []string

	mu          sync.Mutex
	asked       []string
	ours, given *os.File
}

func (f *fakeLogind) Inhibit(what, _, _, mode string) (dbus.UnixFD, *dbus.Error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.asked = append(f.asked, what+" "+mode)
	if !slices.Contains(f.allows, what) {
		return 0, dbus.NewError("org.freedesktop.DBus.Error.AccessDenied", []any{"Permission denied"})
	}
	r, w, err := os.Pipe()
	if err != nil {
		return 0, dbus.MakeFailedError(err)
	}
	f.ours, f.given = r, w
	return dbus.UnixFD(w.Fd()), nil
}

// holds reports whether the descriptor that was given is still open.
func (f *fakeLogind) holds(t *testing.T) bool {
	t.Helper()
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := errors.Join(f.given.Close(), f.ours.SetReadDeadline(time.Now().Add(100*time.Millisecond))); err != nil && !errors.Is(err, os.ErrClosed) {
		t.Fatal(err)
	}
	_, err := f.ours.Read(make([]byte, 1))
	return errors.Is(err, os.ErrDeadlineExceeded)
}

func (f *fakeLogind) wasAsked() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.asked
}

func (f *fakeLogind) serve(t *testing.T, address string) {
	t.Helper()
	conn, err := dbus.Connect(address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	if err := conn.Export(f, "/org/freedesktop/login1", "org.freedesktop.login1.Manager"); err != nil {
		t.Fatal(err)
	}
	if reply, err := conn.RequestName("org.freedesktop.login1", 0); err != nil || reply != dbus.RequestNameReplyPrimaryOwner {
		t.Fatalf("own the name: %v, %v", reply, err)
	}
}

func TestLogindOverARealBus(t *testing.T) {
	for _, tc := range []struct {
		name   string
		allows []string
		asked  []string
		got    string
		err    string
	}{
		{"all", locks, []string{"sleep:idle:handle-lid-switch block"}, "sleep, idle, handle-lid-switch", ""},
		{"a service", []string{"idle"}, []string{"sleep:idle:handle-lid-switch block", "sleep:idle block", "idle block"}, "idle", ""},
		{"nothing", nil, []string{"sleep:idle:handle-lid-switch block", "sleep:idle block", "idle block"}, "", "Permission denied"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			address := messageBus(t)
			f := &fakeLogind{allows: tc.allows}
			f.serve(t, address)
			ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
			defer cancel()
			held, err := logind(ctx, address, "a run goes on")
			if asked := f.wasAsked(); !slices.Equal(asked, tc.asked) {
				t.Errorf("asked for %q, want %q", asked, tc.asked)
			}
			if tc.err != "" {
				if err == nil || !strings.Contains(err.Error(), tc.err) {
					t.Errorf("error %v, want %q in it", err, tc.err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if held.String() != tc.got {
				t.Errorf("holds %q, want %q", held, tc.got)
			}
			if !f.holds(t) {
				t.Error("the lock is not held")
			}
			if err := held.Close(); err != nil {
				t.Error(err)
			}
			if f.holds(t) {
				t.Error("the lock is still held after Close")
			}
		})
	}
}

func TestNoBus(t *testing.T) {
	_, err := logind(t.Context(), "unix:path="+filepath.Join(t.TempDir(), "none"), "x")
	if err == nil || !strings.Contains(err.Error(), "ask systemd-logind") {
		t.Errorf("error %v, want one that names what was asked", err)
	}
}
