package browser

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// remote is a browser of another make than the one of all other tests, driven by
// commands of W3C WebDriver.
type remote interface {
	// open loads a page.
	open(address string) error
	// ask runs the body of a function in the page and returns its answer as JSON.
	ask(body string) (json.RawMessage, error)
}

// process starts a program that ends with the test, and notes what it says.
func process(tb testing.TB, env []string, name string, args ...string) {
	tb.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		tb.Fatalf("%v: run make test-engines, which installs it", err)
	}
	cmd := exec.CommandContext(tb.Context(), path, args...)
	cmd.Env = append(os.Environ(), env...)
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = 5 * time.Second
	must(tb, cmd.Start())
	tb.Cleanup(func() { _ = cmd.Wait() }) // the context ended it
}

// dialled connects as soon as something listens there.
func dialled(tb testing.TB, address string) net.Conn {
	tb.Helper()
	for end := time.Now().Add(within / 2); ; time.Sleep(50 * time.Millisecond) {
		c, err := (&net.Dialer{}).DialContext(tb.Context(), "tcp", address)
		if err == nil {
			return c
		}
		if time.Now().After(end) {
			tb.Fatalf("nothing listens at %s: %v", address, err)
		}
	}
}

// marionette drives Firefox over a connection of its own, on which every message
// is its length, a colon, and JSON.
// Protocol: https://firefox-source-docs.mozilla.org/testing/marionette/Protocol.html
type marionette struct {
	conn net.Conn
	last int
}

func newFirefox(tb testing.TB) remote {
	tb.Helper()
	profile, address := tb.TempDir(), free(tb)
	_, port, _ := net.SplitHostPort(address)
	must(tb, os.WriteFile(filepath.Join(profile, "user.js"), fmt.Appendf(nil, "user_pref(\"marionette.port\", %s);\n", port), 0o600))
	process(tb, []string{"MOZ_HEADLESS=1"}, "firefox-esr", "--marionette", "--no-remote", "--profile", profile)
	m := &marionette{conn: dialled(tb, address)}
	tb.Cleanup(func() { _ = m.conn.Close() })
	must(tb, m.conn.SetDeadline(time.Now().Add(within)))
	var hello struct{ ApplicationType string }
	must(tb, m.receive(&hello))
	_, err := m.command("WebDriver:NewSession", map[string]any{})
	must(tb, err)
	return m
}

func (m *marionette) receive(into any) error {
	var size []byte
	for one := []byte{0}; ; size = append(size, one[0]) {
		if _, err := io.ReadFull(m.conn, one); err != nil {
			return err
		}
		if one[0] == ':' {
			break
		}
	}
	n, err := strconv.Atoi(string(size))
	if err != nil {
		return err
	}
	text := make([]byte, n)
	if _, err := io.ReadFull(m.conn, text); err != nil {
		return err
	}
	return json.Unmarshal(text, into)
}

func (m *marionette) command(name string, parameters any) (json.RawMessage, error) {
	m.last++
	text, err := json.Marshal([]any{0, m.last, name, parameters})
	if err != nil {
		return nil, err
	}
	if _, err := fmt.Fprintf(m.conn, "%d:%s", len(text), text); err != nil {
		return nil, err
	}
	var answer [4]json.RawMessage // 1, the command's number, an error or null, a result
	if err := m.receive(&answer); err != nil {
		return nil, err
	}
	if string(answer[2]) != "null" {
		return nil, fmt.Errorf("%s: %s", name, answer[2])
	}
	return answer[3], nil
}

func (m *marionette) open(address string) error {
	_, err := m.command("WebDriver:Navigate", map[string]any{"url": address})
	return err
}

func (m *marionette) ask(body string) (json.RawMessage, error) {
	a, err := m.command("WebDriver:ExecuteScript", map[string]any{"script": body, "args": []any{}})
	return value(a, err)
}

// value is what an answer of WebDriver holds.
func value(text json.RawMessage, err error) (json.RawMessage, error) {
	if err != nil {
		return nil, err
	}
	var a struct{ Value json.RawMessage }
	err = json.Unmarshal(text, &a)
	return a.Value, err
}

// webDriver drives WebKit over HTTP: https://www.w3.org/TR/webdriver2/.
type webDriver struct{ session string }

// newWebKit starts the WebKit of GTK, which shares its engine with Safari.
func newWebKit(tb testing.TB) remote {
	tb.Helper()
	found, err := filepath.Glob("/usr/lib/*/webkit2gtk-4.*/MiniBrowser")
	must(tb, err)
	if len(found) == 0 {
		tb.Fatal("no MiniBrowser of webkit2gtk-driver: run make test-engines, which installs it")
	}
	address := free(tb)
	_, port, _ := net.SplitHostPort(address)
	process(tb, []string{"DISPLAY=" + hiddenScreen(tb), "LIBGL_ALWAYS_SOFTWARE=1", "WEBKIT_DISABLE_COMPOSITING_MODE=1", "WEBKIT_DISABLE_SANDBOX_THIS_IS_DANGEROUS=1"},
		"WebKitWebDriver", "--port="+port)
	_ = dialled(tb, address).Close()
	w := &webDriver{session: "http://" + address + "/session"}
	a, err := w.post("", map[string]any{"capabilities": map[string]any{"alwaysMatch": map[string]any{
		"webkitgtk:browserOptions": map[string]any{"binary": found[0], "args": []string{"--automation"}},
	}}})
	must(tb, err)
	var made struct{ SessionID string }
	must(tb, json.Unmarshal(a, &made))
	w.session += "/" + made.SessionID
	tb.Cleanup(w.end)
	return w
}

// hiddenScreen starts one that nobody sees.
func hiddenScreen(tb testing.TB) string {
	tb.Helper()
	for n := 90; n < 190; n++ {
		socket := fmt.Sprintf("/tmp/.X11-unix/X%d", n)
		if _, err := os.Stat(socket); !errors.Is(err, os.ErrNotExist) {
			continue
		}
		process(tb, nil, "Xvfb", fmt.Sprintf(":%d", n), "-screen", "0", "1920x1080x24", "-nolisten", "tcp")
		for end := time.Now().Add(within / 4); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
			if _, err := os.Stat(socket); err == nil {
				return fmt.Sprintf(":%d", n)
			}
		}
		tb.Fatalf("Xvfb :%d does not come up", n)
	}
	tb.Fatal("no number left for a screen")
	return ""
}

func (w *webDriver) post(path string, body any) (json.RawMessage, error) {
	text, err := json.Marshal(body)
	if err != nil {
		return nil, err
	}
	r, err := http.Post(w.session+path, "application/json", bytes.NewReader(text)) //nolint:noctx // the test's own time bounds it
	if err != nil {
		return nil, err
	}
	defer r.Body.Close() //nolint:errcheck // only read
	text, err = io.ReadAll(r.Body)
	if err == nil && r.StatusCode != http.StatusOK {
		err = fmt.Errorf("POST %s: %s: %s", path, r.Status, strings.TrimSpace(string(text)))
	}
	return value(text, err)
}

func (w *webDriver) end() {
	q, err := http.NewRequest(http.MethodDelete, w.session, http.NoBody) //nolint:noctx // after the test
	if err != nil {
		return
	}
	if a, err := http.DefaultClient.Do(q); err == nil {
		_ = a.Body.Close()
	}
}

func (w *webDriver) open(address string) error {
	_, err := w.post("/url", map[string]any{"url": address})
	return err
}

func (w *webDriver) ask(body string) (json.RawMessage, error) {
	return w.post("/execute/sync", map[string]any{"script": body, "args": []any{}})
}
