package app_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
	"go.uber.org/zap"

	"benchvigil/internal/app"
)

// address waits for the line that says where the page is.
type address struct {
	once sync.Once
	url  chan string
}

func (a *address) Write(b []byte) (int, error) {
	a.once.Do(func() {
		for f := range strings.FieldsSeq(string(b)) {
			if strings.HasPrefix(f, "http://") {
				a.url <- f
			}
		}
	})
	return len(b), nil
}

// startDemo runs a demo and returns the address of its page.
func startDemo(t *testing.T, o app.DemoOptions) (url string, stop func() error) {
	t.Helper()
	a := &address{url: make(chan string, 1)}
	o.Listen, o.Out, o.Logger, o.Version = "127.0.0.1:0", a, zap.NewNop(), "test"
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- app.Demo(ctx, o) }()
	stop = sync.OnceValue(func() error {
		cancel()
		return <-done
	})
	t.Cleanup(func() {
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
	select {
	case url = <-a.url:
	case err := <-done:
		t.Fatalf("the demo ended: %v", err)
	case <-time.After(20 * time.Second):
		t.Fatal("no address after 20 s")
	}
	return url, stop
}

func get(t *testing.T, url string) (int, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close() //nolint:errcheck // read to its end
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, string(b)
}

// eventually is for what takes its time.
var eventually = app.Eventually

// Live and replayed events are equal, through real sockets and the simulated
// bus, for every story at once.
func TestDemoLiveEqualsReplay(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	dir := t.TempDir()
	_, stop := startDemo(t, app.DemoOptions{Stations: 8, Speed: 20, Data: dir})
	events := filepath.Join(dir, "events.jsonl")
	eventually(t, 60*time.Second, "a stall, a drop, a met window and a silent supply", func() bool {
		b, err := os.ReadFile(events)
		return err == nil && bytes.Contains(b, []byte("stall.raised")) && bytes.Contains(b, []byte("run.dropped")) &&
			bytes.Contains(b, []byte("window.met")) && bytes.Contains(b, []byte("supply.back"))
	})
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	recordings, err := filepath.Glob(filepath.Join(dir, "observations-*.jsonl"))
	if err != nil || len(recordings) != 1 {
		t.Fatalf("recordings %v, %v", recordings, err)
	}
	var again bytes.Buffer
	if err := app.Replay(app.ReplayOptions{Recording: recordings[0], Profile: handset, Out: &again, Warn: io.Discard}); err != nil {
		t.Fatal(err)
	}
	live, err := os.ReadFile(events)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(byStation(t, live), byStation(t, again.Bytes())); diff != "" {
		t.Errorf("(-live +replayed):\n%s", diff)
	}
	if diff := cmp.Diff(byStation(t, live), byStation(t, replayCut(t, dir))); diff != "" {
		t.Errorf("out of the ledger (-live +replayed):\n%s", diff)
	}
	recorded, err := os.ReadFile(recordings[0])
	if err != nil {
		t.Fatal(err)
	}
	want := strings.Count(string(recorded), `"station":"s1","power"`)
	if got := exported(t, dir, false); len(got) != want+1 || got[0] != "at,volts,amps" {
		t.Errorf("%d lines of readings, want %d and a head", len(got), want)
	}
	if got := exported(t, dir, true); len(got) < want/20 || len(got) > want/2 {
		t.Errorf("%d seconds of %d readings", len(got), want)
	}
	http.DefaultClient.CloseIdleConnections()
}

// replayCut cuts a recording out of a ledger and gives its events.
func replayCut(t *testing.T, dir string) []byte {
	t.Helper()
	cut := filepath.Join(t.TempDir(), "cut.jsonl")
	var said, events bytes.Buffer
	if err := app.Cut(t.Context(), app.CutOptions{Data: dir, File: cut, Say: &said}); err != nil {
		t.Fatal(err, said.String())
	}
	if err := app.Replay(app.ReplayOptions{Recording: cut, Profile: handset, Out: &events, Warn: io.Discard}); err != nil {
		t.Fatal(err)
	}
	return events.Bytes()
}

// exported counts the lines of a station's readings of the ledger.
func exported(t *testing.T, dir string, seconds bool) []string {
	t.Helper()
	var out, said bytes.Buffer
	o := app.ExportOptions{DataOptions: app.DataOptions{Data: dir, Out: &out}, Station: "s1", Seconds: seconds, Say: &said}
	if err := app.ExportReadings(t.Context(), o); err != nil {
		t.Fatal(err, said.String())
	}
	return strings.Split(strings.TrimSpace(out.String()), "\n")
}

// byStation sorts event lines by station, keeping their order within it.
func byStation(t *testing.T, b []byte) map[string][]string {
	t.Helper()
	out := linesByStation(t, b)
	if len(out) != 8 {
		t.Errorf("events of %d stations, want 8", len(out))
	}
	return out
}

func linesByStation(t *testing.T, b []byte) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	for s := bufio.NewScanner(bytes.NewReader(b)); s.Scan(); {
		var e struct{ Source string }
		if err := json.Unmarshal(s.Bytes(), &e); err != nil {
			t.Fatal(err)
		}
		out[e.Source] = append(out[e.Source], s.Text())
	}
	return out
}

func TestDemoPageComesAlive(t *testing.T) {
	url, _ := startDemo(t, app.DemoOptions{Stations: 6, Speed: 10})
	eventually(t, 10*time.Second, "ready", func() bool {
		code, _ := get(t, url+"readyz")
		return code == http.StatusOK
	})
	eventually(t, 10*time.Second, "six stations with a current or a battery", func() bool {
		_, page := get(t, url+"metrics")
		return strings.Count(page, "benchvigil_run_active{") == 6 && strings.Count(page, "benchvigil_current_amperes{") == 5
	})
	if code, page := get(t, url); code != http.StatusOK || !strings.Contains(page, "simulated bench") {
		t.Errorf("status %d; want the page with its banner", code)
	}
	if code, body := get(t, url+"healthz"); code != http.StatusOK {
		t.Errorf("/healthz: %d %s", code, body)
	}
	http.DefaultClient.CloseIdleConnections()
}

func TestDemoRefuses(t *testing.T) {
	for _, o := range []app.DemoOptions{
		{Stations: 0, Speed: 1, Listen: "127.0.0.1:0"},
		{Stations: 41, Speed: 1, Listen: "127.0.0.1:0"},
		{Stations: 1, Speed: 0, Listen: "127.0.0.1:0"},
		{Stations: 1, Speed: 61, Listen: "127.0.0.1:0"},
		{Stations: 1, Speed: 1, Listen: "0.0.0.0:0"},
		{Stations: 1, Speed: 1, Listen: "8420"},
	} {
		o.Out, o.Logger = io.Discard, zap.NewNop()
		if err := app.Demo(t.Context(), o); !errors.Is(err, app.ErrCommand) {
			t.Errorf("%+v: %v, want ErrCommand", o, err)
		}
	}
}

// A recording is never written over.
func TestRecordIsNotOverwritten(t *testing.T) {
	dir := t.TempDir()
	cfg := filepath.Join(dir, "config.yaml")
	profiles, err := filepath.Abs("../../configs/profiles")
	if err != nil {
		t.Fatal(err)
	}
	text := "bench: north\nlisten: 127.0.0.1:0\nprofiles: " + profiles + "\nstations:\n  - {id: s1, profile: invented-handset, supply: {address: \"tcp://127.0.0.1:9\"}}\n"
	old := filepath.Join(dir, "watch.jsonl")
	for name, content := range map[string]string{cfg: text, old: "precious"} {
		if err := os.WriteFile(name, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	err = app.RunConfig(t.Context(), cfg, app.RunOptions{Record: old, Logger: zap.NewNop()})
	if !errors.Is(err, app.ErrRecord) || !strings.Contains(err.Error(), "choose another name") {
		t.Errorf("got %v, want ErrRecord and what to do", err)
	}
	if b, err := os.ReadFile(old); err != nil || !slices.Equal(b, []byte("precious")) {
		t.Errorf("the old recording now reads %q, %v", b, err)
	}
}
