package alertmanager_test

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/alertmanager"
	"benchvigil/internal/alert/outlettest"
)

// binary is Debian's prometheus-alertmanager, by BENCHVIGIL_ALERTMANAGER, in the
// path or where make puts it; else the test is skipped.
func binary(t *testing.T) string {
	t.Helper()
	const name = "prometheus-alertmanager"
	for _, path := range []string{os.Getenv("BENCHVIGIL_ALERTMANAGER"), name, "../../../.cache/bin/alertmanager"} {
		if found, err := exec.LookPath(cmp.Or(path, name)); err == nil {
			if found, err = filepath.Abs(found); err == nil {
				return found
			}
		}
	}
	t.Skip("Alertmanager is not here: nothing is posted to a real one; make setup fetches it")
	return ""
}

const config = "route: {receiver: nobody}\nreceivers: [{name: nobody}]\n"

// real is an Alertmanager as a child process.
type real struct {
	t    *testing.T
	addr string
	dir  string
	cmd  *exec.Cmd
	said *bytes.Buffer
	over chan struct{} // closed when the child has ended
}

func newReal(t *testing.T) *real {
	t.Helper()
	var lc net.ListenConfig
	l, err := lc.Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &real{t: t, addr: l.Addr().String(), dir: t.TempDir()}
	_ = l.Close() // the child listens there
	if err := os.WriteFile(filepath.Join(r.dir, "am.yml"), []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.kill)
	return r
}

// start starts the child and waits until it answers.
func (r *real) start(bin string) {
	r.t.Helper()
	r.said = &bytes.Buffer{}
	r.cmd = exec.CommandContext(r.t.Context(), bin, "--config.file="+filepath.Join(r.dir, "am.yml"), //nolint:gosec // the binary under test
		"--storage.path="+filepath.Join(r.dir, "data"), "--web.listen-address="+r.addr, "--cluster.listen-address=")
	r.cmd.Stdout, r.cmd.Stderr = r.said, r.said
	r.cmd.Dir = filepath.Dir(bin) // make puts its templates beside it
	if err := r.cmd.Start(); err != nil {
		r.cmd = nil
		r.t.Fatal(err)
	}
	cmd, over := r.cmd, make(chan struct{})
	r.over = over
	go func() {
		defer close(over)
		_ = cmd.Wait()
	}()
	r.until("it is ready", func() bool { return r.get("/-/ready", nil) == nil })
}

// kill ends the child as a power cut would.
func (r *real) kill() {
	if r.cmd != nil {
		_ = r.cmd.Process.Kill()
		<-r.over
		r.cmd = nil
	}
}

func (r *real) get(path string, v any) error {
	ctx, cancel := context.WithTimeout(r.t.Context(), 5*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+r.addr+path, http.NoBody)
	if err != nil {
		return err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer func() { _ = resp.Body.Close() }()
	if resp.StatusCode != http.StatusOK {
		return fmt.Errorf("status %s", resp.Status)
	}
	if v == nil {
		return nil
	}
	return json.NewDecoder(resp.Body).Decode(v)
}

// active lists the stations whose alerts are active there.
func (r *real) active() (out []string) {
	var got []struct {
		Labels, Annotations map[string]string
		Status              struct{ State string }
	}
	if err := r.get("/api/v2/alerts?filter=bench%3Dbench", &got); err != nil {
		r.t.Errorf("ask what stands: %v", err)
	}
	for _, a := range got {
		if a.Annotations["summary"] != "" {
			out = append(out, a.Labels["station"])
		}
	}
	return out
}

// until waits for something that another process does: there is nothing else to
// wait on. The deadline is far beyond what it takes.
func (r *real) until(what string, done func() bool) {
	r.t.Helper()
	deadline := time.After(time.Minute)
	for !done() {
		select {
		case <-time.After(20 * time.Millisecond):
			continue
		case <-r.over:
		case <-deadline:
		}
		r.kill()
		r.t.Fatalf("waited until %s; it said:\n%s", what, r.said)
	}
}

// TestReal raises an alert, ends it, and has the Alertmanager forget it in between.
func TestReal(t *testing.T) {
	bin := binary(t)
	r := newReal(t)
	r.start(bin)
	s := &stand{}
	o := made(t, alertmanager.Options{URL: "http://" + r.addr, Standing: s.get, Every: 200 * time.Millisecond})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- o.Run(ctx) }()
	defer func() {
		cancel()
		<-done
	}()

	m := outlettest.Message(alert.Raised)
	s.set(m.Alert)
	if err := o.Deliver(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	r.until("the alert is there", func() bool { return len(r.active()) == 1 })

	r.kill()
	if err := os.RemoveAll(filepath.Join(r.dir, "data")); err != nil {
		t.Fatal(err)
	}
	r.start(bin)
	r.until("the alert is there again", func() bool { return len(r.active()) == 1 })

	s.set()
	if err := o.Deliver(t.Context(), outlettest.Message(alert.Returned)); err != nil {
		t.Fatal(err)
	}
	r.until("the alert is resolved", func() bool { return len(r.active()) == 0 })
}
