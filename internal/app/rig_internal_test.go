package app

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/alert"
	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/usb"
	"benchvigil/internal/usb/usbtest"
)

// children are what this binary does, on a folder, instead of testing: by the
// variable that names the folder.
var children = map[string]func(dir string) error{rigDir: rigged}

// Child runs as what it was started for; false: it is to test.
func Child() bool {
	for variable, do := range children {
		if dir := os.Getenv(variable); dir != "" {
			fmt.Println("error", do(dir))
			return true
		}
	}
	return false
}

const rigDir = "BENCHVIGIL_APP_RIG"

// rigged is the daemon of a rig: the program in earnest, but for uevents, which
// come by a socket of the test instead of the kernel's.
func rigged(dir string) error {
	reload := make(chan os.Signal, 1)
	signal.Notify(reload, syscall.SIGHUP)
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	c := zap.NewDevelopmentConfig()
	c.Level, c.DisableStacktrace, c.DisableCaller = zap.NewAtomicLevelAt(zap.ErrorLevel), true, true
	o := RunOptions{
		Data: filepath.Join(dir, "data"), Version: "test", Logger: zap.Must(c.Build()), Started: func(url string) { fmt.Println(strings.TrimPrefix(url, "http://")) },
	}
	load := func() (*Plan, error) {
		_, p, err := read(filepath.Join(dir, "config.yaml"), o)
		if err == nil {
			p.USB.Listen = func() (usb.Receiver, error) { return hearBus(filepath.Join(dir, "uevents")) }
			p.Reload.Asked = reload
		}
		return p, err
	}
	p, err := load()
	if err != nil {
		return err
	}
	p.Reload.Load = load
	return Run(ctx, p)
}

// busSocket receives the uevents of a rig.
type busSocket struct{ *net.UnixConn }

func hearBus(name string) (usb.Receiver, error) {
	if err := os.Remove(name); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		return nil, err
	}
	return busSocket{c}, nil
}

func (b busSocket) Receive(ctx context.Context) (usb.Uevent, error) {
	defer context.AfterFunc(ctx, func() { _ = b.Close() })()
	var buf [8192]byte
	n, err := b.Read(buf[:])
	if err != nil {
		return usb.Uevent{}, err
	}
	return usb.ParseUevent(buf[:n])
}

// rig is a bench of ports, instruments and a webhook for a daemon in a process
// of its own.
type rig struct {
	t    *testing.T
	dir  string
	hook *hook
	cmd  *exec.Cmd
	url  string

	sys     string // what stands for /sys: in memory, as that is
	bus     *net.UnixConn
	seq     uint64
	devnum  int
	devices map[string]usbtest.Device
}

func newBench(t *testing.T) *rig {
	t.Helper()
	r := &rig{t: t, dir: t.TempDir(), hook: newHook(t), devnum: 1, devices: map[string]usbtest.Device{}}
	memory, err := os.MkdirTemp("/dev/shm", "benchvigil")
	if err != nil {
		memory = t.TempDir() // it is slower
	} else {
		t.Cleanup(func() { _ = os.RemoveAll(memory) })
	}
	r.sys = memory
	if err := os.MkdirAll(filepath.Join(r.sys, usbtest.Devices), 0o700); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		r.kill()
		if r.bus != nil {
			_ = r.bus.Close()
		}
	})
	return r
}

// configure writes the configuration; text follows the head that all have.
func (r *rig) configure(text string) {
	r.t.Helper()
	profiles, err := filepath.Abs("../../configs/profiles")
	if err != nil {
		r.t.Fatal(err)
	}
	text = fmt.Sprintf("bench: north\nlisten: 127.0.0.1:0\nprofiles: %s\nusb: {sysfs: %s, scan: off}\ninhibit_sleep: false\n%s",
		profiles, r.sys, text)
	if err := os.WriteFile(filepath.Join(r.dir, "config.yaml"), []byte(text), 0o600); err != nil {
		r.t.Fatal(err)
	}
}

// start runs the daemon until the test ends it, and waits until its page is there.
func (r *rig) start() {
	r.t.Helper()
	r.cmd = exec.Command(os.Args[0]) //nolint:noctx // ended by name
	r.cmd.Env = append(os.Environ(), rigDir+"="+r.dir)
	r.cmd.Stderr = os.Stderr
	out, err := r.cmd.StdoutPipe()
	if err == nil {
		err = r.cmd.Start()
	}
	if err != nil {
		r.t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil || strings.HasPrefix(line, "error") {
		r.t.Fatalf("%q, %v", line, err)
	}
	r.url = "http://" + strings.TrimSpace(line) + "/"
	r.until("it watches", func() bool { return r.status("readyz") == http.StatusOK })
}

// kill ends the daemon as a power cut would.
func (r *rig) kill() { r.end(syscall.SIGKILL) }

func (r *rig) end(how syscall.Signal) {
	if r.cmd == nil {
		return
	}
	_ = r.cmd.Process.Signal(how)
	_ = r.cmd.Wait() // it says how it ended itself
	r.cmd = nil
}

func (r *rig) until(what string, ok func() bool) {
	r.t.Helper()
	Eventually(r.t, 30*time.Second, what, ok)
}

func (r *rig) status(path string) int {
	req, err := http.NewRequestWithContext(r.t.Context(), http.MethodGet, r.url+path, http.NoBody)
	if err != nil {
		r.t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0
	}
	_ = resp.Body.Close()
	return resp.StatusCode
}

func (r *rig) get(path string, v any) error {
	req, err := http.NewRequestWithContext(r.t.Context(), http.MethodGet, r.url+path, http.NoBody)
	if err != nil {
		return err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close() //nolint:errcheck // it was read
	return json.NewDecoder(resp.Body).Decode(v)
}

// plug puts a device on a port as the kernel does: its attributes first, all at
// once, then the uevent. It returns just before the first of the two.
func (r *rig) plug(port string, id bench.USBID) time.Time {
	r.t.Helper()
	r.devnum++
	d := usbtest.Device{ID: id, Devnum: r.devnum, Speed: "480", URBs: 5}
	fresh := filepath.Join(r.sys, fmt.Sprint("device", r.devnum))
	if err := os.Mkdir(fresh, 0o700); err != nil {
		r.t.Fatal(err)
	}
	for name, text := range map[string]string{
		"idVendor": fmt.Sprintf("%04x", id.Vendor), "idProduct": fmt.Sprintf("%04x", id.Product), "devnum": fmt.Sprint(d.Devnum), "urbnum": "5", "speed": "480",
	} {
		if err := os.WriteFile(filepath.Join(fresh, name), []byte(text+"\n"), 0o600); err != nil {
			r.t.Fatal(err)
		}
	}
	r.devices[port] = d
	at := time.Now()
	if err := os.Rename(fresh, r.port(port)); err != nil {
		r.t.Fatal(err)
	}
	r.say("add", port, d)
	return at
}

func (r *rig) unplug(port string) time.Time {
	r.t.Helper()
	at := time.Now()
	gone := filepath.Join(r.sys, fmt.Sprint("gone", r.seq))
	if err := os.Rename(r.port(port), gone); err != nil {
		r.t.Fatal(err)
	}
	r.say("remove", port, r.devices[port])
	_ = os.RemoveAll(gone) // it is out of sight
	return at
}

func (r *rig) port(port string) string { return filepath.Join(r.sys, usbtest.Devices, port) }

// say sends a uevent; nobody may be listening.
func (r *rig) say(action, port string, d usbtest.Device) {
	r.seq++
	message := usbtest.DeviceMessage(action, port, d, r.seq)
	if r.bus != nil {
		if _, err := r.bus.Write(message); err == nil {
			return
		}
		_ = r.bus.Close() // it was a daemon's of before
	}
	c, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: filepath.Join(r.dir, "uevents"), Net: "unixgram"})
	if err != nil {
		r.bus = nil
		return
	}
	r.bus = c
	_, _ = c.Write(message)
}

// source is a supply whose current a test sets.
type source struct {
	microamps atomic.Int64
	zeros     atomic.Int64 // answers given of no current
}

func (s *source) set(amps float64) time.Time {
	at := time.Now()
	s.microamps.Store(int64(amps * 1e6))
	return at
}

// supply serves a source and says where.
func (r *rig) supply(s *source) (address string) {
	l, err := new(net.ListenConfig).Listen(r.t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go s.answer(c)
		}
	}()
	return l.Addr().String()
}

func (s *source) answer(c net.Conn) {
	defer c.Close() //nolint:errcheck // nothing is kept in it
	for r := bufio.NewScanner(c); r.Scan(); {
		answer := `0,"No error"`
		if strings.HasPrefix(r.Text(), "MEAS") {
			answer = fmt.Sprintf("3.8;%.6f", float64(s.microamps.Load())/1e6)
		}
		if _, err := fmt.Fprintln(c, answer); err != nil {
			return
		}
		if strings.HasSuffix(answer, ";0.000000") {
			s.zeros.Add(1)
		}
	}
}

// heard is one call of a webhook.
type heard struct {
	at time.Time
	id string // of the CloudEvent
	m  alert.Message
}

// hook is a webhook that keeps what it is called with, and answers what it is
// told to.
type hook struct {
	*httptest.Server
	answer atomic.Int32 // status; 0: 204

	mu   sync.Mutex
	all  []heard
	news chan struct{} // closed and replaced at each call
}

func newHook(t *testing.T) *hook {
	h := &hook{news: make(chan struct{})}
	h.Server = httptest.NewServer(h)
	t.Cleanup(h.Close)
	return h
}

func (h *hook) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	at := time.Now()
	var e struct {
		ID   string        `json:"id"`
		Data alert.Message `json:"data"`
	}
	b, err := io.ReadAll(r.Body)
	if err == nil {
		err = json.Unmarshal(b, &e)
	}
	switch status := int(h.answer.Load()); {
	case err != nil:
		w.WriteHeader(http.StatusBadRequest)
		return
	case status != 0:
		w.WriteHeader(status)
		return
	}
	h.mu.Lock()
	h.all = append(h.all, heard{at, e.ID, e.Data})
	close(h.news)
	h.news = make(chan struct{})
	h.mu.Unlock()
	w.WriteHeader(http.StatusNoContent)
}

// calls are what it was called with so far, of some kinds of alert; without any, of all.
func (h *hook) calls(kinds ...bench.AlertKind) (out []heard) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, c := range h.all {
		if len(kinds) == 0 || slices.Contains(kinds, c.m.Alert.Kind) {
			out = append(out, c)
		}
	}
	return out
}

// await waits for a call that fits, for a while.
func (h *hook) await(within time.Duration, fits func(heard) bool) (heard, bool) {
	late := time.After(within)
	for {
		h.mu.Lock()
		news := h.news
		i := slices.IndexFunc(h.all, fits)
		var c heard
		if i >= 0 {
			c = h.all[i]
		}
		h.mu.Unlock()
		if i >= 0 {
			return c, true
		}
		select {
		case <-news:
		case <-late:
			return heard{}, false
		}
	}
}

// ledgered are the events in the ledger of the rig.
func (r *rig) ledgered() (out []bench.Event) {
	r.t.Helper()
	l, err := ledger.OpenReader(r.t.Context(), filepath.Join(r.dir, "data"))
	if err != nil {
		r.t.Fatal(err)
	}
	defer l.Close() //nolint:errcheck // it only read
	for e, err := range l.Events(r.t.Context(), ledger.Query{}) {
		if err != nil {
			r.t.Fatal(err)
		}
		out = append(out, e)
	}
	return out
}
