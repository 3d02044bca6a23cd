package browser

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"benchvigil/internal/sim/scpi"
	"benchvigil/internal/unit"
)

// builtIn is the folder of the program, as long as the tests run.
var builtIn string

// program builds the program once, or takes that in BENCHVIGIL_BIN.
var program = sync.OnceValues(func() (bin string, err error) {
	if bin := os.Getenv("BENCHVIGIL_BIN"); bin != "" {
		return filepath.Abs(bin)
	}
	if builtIn, err = os.MkdirTemp("", "benchvigil-browser-"); err != nil {
		return "", err
	}
	bin = filepath.Join(builtIn, "benchvigil")
	out, err := exec.CommandContext(context.Background(), "go", "build", "-o", bin, "benchvigil/cmd/benchvigil").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build the program: %w: %s", err, out)
	}
	return bin, nil
})

// daemon is the program at work.
type daemon struct {
	cmd  *exec.Cmd
	said *bytes.Buffer // on standard error; read it only after the end
	line chan string   // the first on standard output
}

func launch(tb testing.TB, args ...string) *daemon {
	tb.Helper()
	bin, err := program()
	must(tb, err)
	d := &daemon{cmd: exec.CommandContext(context.Background(), bin, args...), said: &bytes.Buffer{}, line: make(chan string, 1)}
	d.cmd.Stderr = d.said
	d.cmd.Env = slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "BENCHVIGIL_") })
	out, err := d.cmd.StdoutPipe()
	must(tb, err)
	must(tb, d.cmd.Start())
	go func() {
		for s := bufio.NewScanner(out); s.Scan(); {
			select {
			case d.line <- s.Text():
			default:
			}
		}
	}()
	tb.Cleanup(func() {
		d.kill()
		if tb.Failed() {
			tb.Logf("benchvigil %s said:\n%.4000s", strings.Join(args, " "), d.said)
		}
	})
	return d
}

// kill is kill -9; the end of it is waited for.
func (d *daemon) kill() {
	_ = d.cmd.Process.Kill()
	_ = d.cmd.Wait()
}

// demo plays or shows invented boards until the test ends, and returns the
// address of its pages, without a slash at its end.
func demo(tb testing.TB, args ...string) string {
	tb.Helper()
	wanted(tb)
	d := launch(tb, append([]string{"demo", "--listen", "127.0.0.1:0", "--log-level", "warn"}, args...)...)
	select {
	case line := <-d.line:
		for f := range strings.FieldsSeq(line) {
			if rest, ok := strings.CutPrefix(f, "http://"); ok {
				host, _, _ := strings.Cut(rest, "/")
				return "http://" + host
			}
		}
		tb.Fatalf("no address in %q", line)
	case <-time.After(within):
		tb.Fatal("the demo does not begin")
	}
	return ""
}

// comparePath is the page of the first two runs of a bench that dropped, as soon as
// there are two.
func comparePath(tb testing.TB, url string) string {
	tb.Helper()
	for end := time.Now().Add(within); time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		q, err := http.NewRequestWithContext(tb.Context(), http.MethodGet, url+"/api/v1/runs?outcome=dropped&limit=2", http.NoBody)
		must(tb, err)
		a, err := http.DefaultClient.Do(q)
		must(tb, err)
		var page struct{ Items []struct{ ID string } }
		must(tb, errors.Join(json.NewDecoder(a.Body).Decode(&page), a.Body.Close()))
		if len(page.Items) == 2 {
			return "/history/compare?run=" + page.Items[0].ID + "&run=" + page.Items[1].ID
		}
	}
	tb.Fatal("no two runs drop")
	return ""
}

// board is one on a supply of the test: its current is what the test says.
type board struct {
	server *scpi.Server
	amps   atomic.Int64 // microamperes
}

func (b *board) draw(amps unit.Current) time.Time {
	b.amps.Store(int64(amps))
	return time.Now()
}

func newBoard(tb testing.TB, amps unit.Current) *board {
	tb.Helper()
	b := &board{}
	b.draw(amps)
	server, err := scpi.Listen("127.0.0.1:0", scpi.Options{Read: func() scpi.Reading {
		return scpi.Reading{Volts: 3800 * unit.Millivolt, Amps: unit.Current(b.amps.Load()), Output: true}
	}})
	must(tb, err)
	b.server = server
	tb.Cleanup(func() { _ = server.Close() })
	return b
}

// rig is the daemon in earnest, on boards of the test.
type rig struct {
	*daemon
	tb          testing.TB
	boards      map[string]*board
	dir, config string
	url         string
	client      *http.Client
}

// newRig starts one; the stations are the boards, and more goes into the
// configuration.
func newRig(tb testing.TB, more string, stations ...string) *rig {
	tb.Helper()
	address := free(tb)
	r := layOut(tb, "listen: "+address+"\n"+more, stations...)
	r.url, r.client = "http://"+address, http.DefaultClient
	r.start()
	return r
}

// newSecureRig starts one that listens to the whole network, where kim works and
// vera views.
func newSecureRig(tb testing.TB, stations ...string) *rig {
	tb.Helper()
	address := free(tb)
	_, port, _ := net.SplitHostPort(address)
	keys := tb.TempDir()
	r := layOut(tb, fmt.Sprintf("listen: 0.0.0.0:%s\ntls: {certificate: %[2]s/bench.pem, key: %[2]s/bench.key}\n", port, keys), stations...)
	r.command("", "access", "certificate", "--name", "localhost", "--address", "127.0.0.1", "--dir", keys)
	r.command(kimsPassword+"\n", "access", "user", "add", "kim", "--role", "work", "--data", r.data())
	r.command(verasPassword+"\n", "access", "user", "add", "vera", "--role", "view", "--data", r.data())
	authority, err := os.ReadFile(filepath.Join(keys, "authority.pem"))
	must(tb, err)
	trusted := x509.NewCertPool()
	if !trusted.AppendCertsFromPEM(authority) {
		tb.Fatalf("no certificate: %s", authority)
	}
	r.url = "https://" + address
	r.client = &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: trusted}}}
	r.start()
	return r
}

// layOut writes the configuration of one.
func layOut(tb testing.TB, more string, stations ...string) *rig {
	tb.Helper()
	wanted(tb)
	r := &rig{tb: tb, boards: map[string]*board{}, dir: tb.TempDir()}
	must(tb, os.Mkdir(r.data(), 0o700))
	profiles, err := filepath.Abs("../../../configs/profiles")
	must(tb, err)
	var text strings.Builder
	fmt.Fprintf(&text, "bench: north\nprofiles: %s\ninhibit_sleep: false\nusb: {scan: off}\n%sstations:\n", profiles, more)
	for i, id := range stations {
		r.boards[id] = newBoard(tb, 0)
		fmt.Fprintf(&text, "  - {id: %s, name: Wren %d, profile: invented-handset, supply: {address: \"tcp://%s\"}}\n", id, i+1, r.boards[id].server.Addr())
	}
	r.config = filepath.Join(r.dir, "config.yaml")
	must(tb, os.WriteFile(r.config, []byte(text.String()), 0o600))
	return r
}

func (r *rig) data() string { return filepath.Join(r.dir, "data") }

// command runs a command of the program and returns what it prints.
func (r *rig) command(input string, args ...string) string {
	r.tb.Helper()
	bin, err := program()
	must(r.tb, err)
	cmd := exec.CommandContext(r.tb.Context(), bin, args...)
	cmd.Stdin = strings.NewReader(input)
	var said bytes.Buffer
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil {
		r.tb.Fatalf("%v: %v: %s", args, err, &said)
	}
	return string(out)
}

// start starts the daemon, also after it was killed.
func (r *rig) start() {
	r.tb.Helper()
	r.daemon = launch(r.tb, "run", "--config", r.config, "--data", r.data(), "--log-level", "warn")
	for end := time.Now().Add(within / 4); ; time.Sleep(20 * time.Millisecond) {
		if r.ready() {
			return
		}
		if time.Now().After(end) {
			r.kill()
			r.tb.Fatalf("not ready: %s", r.said)
		}
	}
}

func (r *rig) ready() bool {
	r.tb.Helper()
	q, err := http.NewRequestWithContext(r.tb.Context(), http.MethodGet, r.url+"/readyz", http.NoBody)
	must(r.tb, err)
	a, err := r.client.Do(q)
	if err != nil {
		return false
	}
	_ = a.Body.Close()
	return a.StatusCode == http.StatusOK
}

// free is an address of this computer that nobody listens on.
func free(tb testing.TB) string {
	tb.Helper()
	l, err := (&net.ListenConfig{}).Listen(tb.Context(), "tcp", "127.0.0.1:0")
	must(tb, err)
	defer l.Close() //nolint:errcheck // it was only asked for a number
	return l.Addr().String()
}
