package systemd_test

import (
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/systemd"
)

// manager is the service manager's end of the socket.
func manager(t *testing.T, name string) func() string {
	t.Helper()
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	t.Setenv("NOTIFY_SOCKET", name)
	return func() string {
		t.Helper()
		b := make([]byte, 4096)
		if err := conn.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
			t.Fatal(err)
		}
		n, err := conn.Read(b)
		if err != nil {
			t.Fatal(err)
		}
		return string(b[:n])
	}
}

func TestTells(t *testing.T) {
	names := map[string]string{"a path": filepath.Join(t.TempDir(), "notify")}
	if runtime.GOOS == "linux" {
		names["an abstract name"] = "@benchvigil-test-" + strconv.Itoa(os.Getpid())
	}
	for what, name := range names {
		t.Run(what, func(t *testing.T) {
			heard := manager(t, name)
			n, err := systemd.FromEnvironment()
			if err != nil {
				t.Fatal(err)
			}
			for _, say := range []struct {
				do   func() error
				want string
			}{
				{func() error { return n.Ready("watching 3 stations") }, "READY=1\nSTATUS=watching 3 stations"},
				{n.Feed, "WATCHDOG=1"},
				{func() error { return n.Status("first\nWATCHDOG=trigger") }, "STATUS=first"},
				{n.Stopping, "STOPPING=1"},
			} {
				if err := say.do(); err != nil {
					t.Fatal(err)
				}
				if d := cmp.Diff(say.want, heard()); d != "" {
					t.Error(d)
				}
			}
		})
	}
}

func TestEnvironment(t *testing.T) {
	own := strconv.Itoa(os.Getpid())
	for _, tc := range []struct {
		name, socket, usec, pid string
		nobody                  bool
		watchdog                time.Duration
		err                     string
	}{
		{name: "nobody", nobody: true},
		{name: "a watchdog without a socket", usec: "30000000", nobody: true},
		{name: "no watchdog", socket: "/run/n"},
		{name: "for everybody", socket: "/run/n", usec: "30000000", watchdog: 30 * time.Second},
		{name: "for us", socket: "/run/n", usec: "30000000", pid: own, watchdog: 30 * time.Second},
		{name: "for somebody else", socket: "/run/n", usec: "30000000", pid: "1"},
		{name: "garbage", socket: "/run/n", usec: "soon", nobody: true, err: `WATCHDOG_USEC="soon"`},
		{name: "negative", socket: "/run/n", usec: "-1", nobody: true, err: "WATCHDOG_USEC"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			for key, value := range map[string]string{"NOTIFY_SOCKET": tc.socket, "WATCHDOG_USEC": tc.usec, "WATCHDOG_PID": tc.pid} {
				t.Setenv(key, value)
			}
			n, err := systemd.FromEnvironment()
			if (err != nil) != (tc.err != "") || err != nil && !strings.Contains(err.Error(), tc.err) {
				t.Errorf("got %v, want %q", err, tc.err)
			}
			if (n == nil) != tc.nobody || n.Watchdog() != tc.watchdog {
				t.Errorf("got %+v, watchdog %v", n, n.Watchdog())
			}
			if v, ok := os.LookupEnv("NOTIFY_SOCKET"); ok {
				t.Errorf("children would still see NOTIFY_SOCKET=%q", v)
			}
		})
	}
}

func TestNobodyHears(t *testing.T) {
	var n *systemd.Notifier
	if err := n.Ready("x"); err != nil {
		t.Error(err)
	}
	t.Setenv("NOTIFY_SOCKET", filepath.Join(t.TempDir(), "gone"))
	n, err := systemd.FromEnvironment()
	if err != nil {
		t.Fatal(err)
	}
	if err := n.Feed(); err == nil {
		t.Error("a socket that is not there was told")
	}
}
