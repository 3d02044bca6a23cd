package app_test

import (
	"context"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"benchvigil/internal/app"
)

// kept is a bench that runs by a configuration on disk.
type kept struct {
	t    *testing.T
	file string
	hup  chan os.Signal
	logs *observer.ObservedLogs
	url  string
}

func keep(t *testing.T, o app.RunOptions) *kept {
	t.Helper()
	already := goleak.IgnoreCurrent()
	t.Cleanup(func() {
		http.DefaultClient.CloseIdleConnections()
		goleak.VerifyNone(t, already)
	})
	dir := t.TempDir()
	core, logs := observer.New(zapcore.InfoLevel)
	k := &kept{t: t, file: filepath.Join(dir, "config.yaml"), hup: make(chan os.Signal), logs: logs}
	if err := os.Mkdir(filepath.Join(dir, "profiles"), 0o700); err != nil {
		t.Fatal(err)
	}
	k.write("profiles/p.yaml", "name: p\nmodes: {running: {usb: [\"1209:0004\"]}}\n")
	k.write("config.yaml", k.text("s1"))
	url := make(chan string, 1)
	o.Logger, o.Reload, o.Started = zap.New(core), k.hup, func(at string) { url <- at + "/" }
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- app.RunConfig(ctx, k.file, o) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	select {
	case k.url = <-url:
	case err := <-done:
		done <- err
		t.Fatal(err)
	}
	return k
}

func (k *kept) write(name, text string) {
	k.t.Helper()
	if err := os.WriteFile(filepath.Join(filepath.Dir(k.file), name), []byte(text), 0o600); err != nil {
		k.t.Fatal(err)
	}
}

// text is a configuration with these stations, none of whose supplies answers.
func (k *kept) text(ids ...string) string {
	out := "bench: north\nlisten: 127.0.0.1:0\nusb: {sysfs: nowhere, scan: off}\nstations:\n"
	for _, id := range ids {
		out += "  - {id: " + id + ", profile: p, supply: {address: \"tcp://127.0.0.1:" + id[1:] + "\"}}\n"
	}
	return out
}

func (k *kept) metric(line string) func() bool {
	return func() bool {
		_, page := get(k.t, k.url+"metrics")
		return strings.Contains("\n"+page, "\n"+line)
	}
}

// A change on disk is followed; a bad one is refused in the words of
// --check-config, and named by a metric, while the watch goes on; a signal
// does the same as a change.
func TestConfigurationIsFollowed(t *testing.T) {
	k := keep(t, app.RunOptions{})
	eventually(t, 10*time.Second, "s1 alone", k.metric(`benchvigil_run_active{station="s1"}`))
	if !k.metric("benchvigil_config_reload_ok 1")() {
		t.Error("the first loading is not told")
	}
	k.write("config.yaml", k.text("s1", "s2"))
	eventually(t, 10*time.Second, "s2 there", k.metric(`benchvigil_run_active{station="s2"}`))

	k.write("config.yaml", k.text("s1", "s1"))
	eventually(t, 10*time.Second, "the bad one refused", k.metric("benchvigil_config_reload_ok 0"))
	want := app.RunConfig(t.Context(), k.file, app.RunOptions{CheckOnly: true})
	refused := k.logs.FilterMessage("the new configuration is refused, the old one stays in force").All()
	if len(refused) != 1 || refused[0].Level != zapcore.ErrorLevel || refused[0].ContextMap()["err"] != want.Error() ||
		!strings.Contains(want.Error(), "config.yaml:6: stations[1].id") {
		t.Errorf("logged %v; want, once, what the check says: %v", refused, want)
	}
	if !k.metric(`benchvigil_run_active{station="s2"}`)() {
		t.Error("the watch does not go on")
	}

	k.write("config.yaml", strings.Replace(k.text("s2"), "north", "south", 1))
	eventually(t, 10*time.Second, "a good one again", k.metric("benchvigil_config_reload_ok 1"))
	if k.metric(`benchvigil_run_active{station="s1"}`)() {
		t.Error("s1 is still there")
	}
	pinned := k.logs.FilterMessage("this change needs a restart of benchvigil").All()
	if len(pinned) != 1 || pinned[0].ContextMap()["key"] != "bench" {
		t.Errorf("logged %v, want that bench needs a restart", pinned)
	}

	n := k.logs.FilterMessage("configuration read again: no station begins anew").Len()
	k.hup <- syscall.SIGHUP
	eventually(t, 10*time.Second, "the signal heeded", func() bool {
		return k.logs.FilterMessage("configuration read again: no station begins anew").Len() > n
	})
}

// A changed profile makes the stations that use it begin anew.
func TestProfileIsFollowed(t *testing.T) {
	k := keep(t, app.RunOptions{Flags: map[string]string{"bench": "given"}})
	eventually(t, 10*time.Second, "s1", k.metric(`benchvigil_window_seconds{station="s1"} 210`))
	k.write("profiles/p.yaml", "name: p\nwindow: 5m\nmodes: {running: {usb: [\"1209:0004\"]}}\n")
	eventually(t, 10*time.Second, "the new window", k.metric(`benchvigil_window_seconds{station="s1"} 300`))
	eventually(t, 10*time.Second, "the news of it", func() bool { return k.logs.FilterMessage("station begins anew").Len() > 0 })
	if n := k.logs.FilterMessage("station begins anew").Len(); n != 1 {
		t.Errorf("%d stations began anew, want one", n)
	}
	if _, page := get(t, k.url); !strings.Contains(page, "given") {
		t.Error("the page does not bear the name that the command line gave")
	}
}

// Under a service manager the program says when it is ready and that it ends,
// and feeds the watchdog.
func TestServiceManagerHears(t *testing.T) {
	socket := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close() //nolint:errcheck // only read from
	hear := func(what string) {
		t.Helper()
		b := make([]byte, 4096)
		if err := conn.SetReadDeadline(time.Now().Add(10 * time.Second)); err != nil {
			t.Fatal(err)
		}
		for {
			n, err := conn.Read(b)
			if err != nil {
				t.Fatalf("waiting for %s: %v", what, err)
			}
			if strings.Contains(string(b[:n]), what) {
				return
			}
		}
	}
	t.Run("life", func(t *testing.T) {
		t.Setenv("NOTIFY_SOCKET", socket)
		t.Setenv("WATCHDOG_USEC", "300000")
		t.Setenv("WATCHDOG_PID", "")
		k := keep(t, app.RunOptions{})
		hear("READY=1\nSTATUS=watching 1 station on http://127.0.0.1:")
		hear("WATCHDOG=1")
		hear("WATCHDOG=1")
		k.write("config.yaml", "bench: north\n")
		hear("the new configuration is refused: bad configuration: ")
		hear("WATCHDOG=1")
	})
	hear("STOPPING=1")
}
