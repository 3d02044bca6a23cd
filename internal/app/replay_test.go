package app_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"
	"go.uber.org/zap/zaptest"

	"benchvigil/internal/app"
	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/recording"
	"benchvigil/internal/sim"
)

const handset = "../../configs/profiles/invented-handset.yaml"

// write makes a recording of a story.
func write(t *testing.T, sc *sim.Scenario, header bool) string {
	t.Helper()
	var b bytes.Buffer
	w, err := recording.NewWriter(&b, recording.Header{Bench: "north", Stations: map[string]recording.Stations{"s1": recording.Describe(sc.Hookup)}})
	if err != nil {
		t.Fatal(err)
	}
	if !header {
		b.Reset()
	}
	for _, o := range sim.Observe(sc, "s1", "1-2", time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC), 100*time.Millisecond) {
		if err := w.Write(o); err != nil {
			t.Fatal(err)
		}
	}
	name := filepath.Join(t.TempDir(), sc.Name+".jsonl")
	if err := os.WriteFile(name, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

func replay(t *testing.T, o app.ReplayOptions) (events []string, warnings string, err error) {
	t.Helper()
	var out, warn bytes.Buffer
	if o.Profile == "" {
		o.Profile = handset
	}
	o.Out, o.Warn = &out, &warn
	err = app.Replay(o)
	for line := range strings.Lines(out.String()) {
		var e struct {
			Type string `json:"type"`
		}
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatalf("line %q is no event: %v", line, err)
		}
		events = append(events, strings.TrimPrefix(e.Type, "benchvigil."))
	}
	return events, warn.String(), err
}

func expected(sc *sim.Scenario) (types []string) {
	for _, e := range sc.Expect {
		types = append(types, strings.TrimPrefix(string(e.Type), "benchvigil."))
	}
	return types
}

// The recording of each story, with and without a header, from a file, from
// standard input and compressed, gives exactly the scripted events.
func TestReplayScenarios(t *testing.T) {
	for _, sc := range sim.Scenarios() {
		t.Run(sc.Name, func(t *testing.T) {
			want := strings.Join(expected(sc), " ")
			for _, header := range []bool{true, false} {
				name := write(t, sc, header)
				got, warnings, err := replay(t, app.ReplayOptions{Recording: name})
				if err != nil || warnings != "" || strings.Join(got, " ") != want {
					t.Errorf("header %v: %v, %v, %q; want %v", header, got, err, warnings, want)
				}
				b, err := os.ReadFile(name)
				if err != nil {
					t.Fatal(err)
				}
				z, err := zstd.NewWriter(nil)
				if err != nil {
					t.Fatal(err)
				}
				got, _, err = replay(t, app.ReplayOptions{Recording: "-", Stdin: bytes.NewReader(z.EncodeAll(b, nil))})
				if err != nil || strings.Join(got, " ") != want {
					t.Errorf("header %v, zstd from standard input: %v, %v; want %v", header, got, err, want)
				}
			}
		})
	}
}

func TestReplayWindow(t *testing.T) {
	sc, err := sim.ByName("battery-board")
	if err != nil {
		t.Fatal(err)
	}
	got, _, err := replay(t, app.ReplayOptions{Recording: write(t, sc, true), Window: time.Hour})
	if want := "run.started mode.changed run.dropped window.missed mode.changed"; err != nil || strings.Join(got, " ") != want {
		t.Errorf("%v, %v; want %s", got, err, want)
	}
}

// What a killed daemon leaves is replayed up to its last whole line; what is
// broken elsewhere is an error that names file and line.
func TestReplayTornRecording(t *testing.T) {
	sc, err := sim.ByName("restore-drops")
	if err != nil {
		t.Fatal(err)
	}
	name := write(t, sc, true)
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, b[:len(b)-30], 0o600); err != nil {
		t.Fatal(err)
	}
	got, warned, err := replay(t, app.ReplayOptions{Recording: name})
	if err != nil || !strings.Contains(warned, fmt.Sprintf("%s:%d: the last line is cut off", name, bytes.Count(b, []byte("\n")))) || len(got) != len(sc.Expect) {
		t.Errorf("%d events, %v, %q; want %d and the torn line named", len(got), err, warned, len(sc.Expect))
	}
	if err := os.WriteFile(name, append(b[:len(b)-30], '\n'), 0o600); err != nil {
		t.Fatal(err)
	}
	if got, _, err = replay(t, app.ReplayOptions{Recording: name}); !errors.Is(err, app.ErrUnreadable) || !strings.Contains(err.Error(), name+":") || len(got) != len(sc.Expect) {
		t.Errorf("%d events, %v; want %d and ErrUnreadable", len(got), err, len(sc.Expect))
	}
}

func TestReplayRefuses(t *testing.T) {
	sc, err := sim.ByName("restore-drops")
	if err != nil {
		t.Fatal(err)
	}
	good := write(t, sc, true)
	bad := filepath.Join(t.TempDir(), "bad.yaml")
	if err := os.WriteFile(bad, []byte("name: x\nmodes: {running: {amps: 5}}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name string
		o    app.ReplayOptions
		is   error
		want string
	}{
		{"no recording", app.ReplayOptions{Recording: "nowhere.jsonl"}, app.ErrUnreadable, "nowhere.jsonl"},
		{"no profile", app.ReplayOptions{Recording: good, Profile: "nowhere.yaml"}, app.ErrConfig, "nowhere.yaml"},
		{"bad profile", app.ReplayOptions{Recording: good, Profile: bad}, app.ErrConfig, "bad.yaml:2:25: want two numbers"},
		{"no such station", app.ReplayOptions{Recording: good, Station: "s9"}, app.ErrUnreadable, `no station "s9" in it: there are s1`},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, _, err := replay(t, tc.o)
			if !errors.Is(err, tc.is) || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("got %v, want %q", err, tc.want)
			}
		})
	}
}

// A restore that stands still for longer than the profile allows stalls, unless
// eight finished ones of the same profile stood still as long; a file of events
// or a ledger tells.
func TestReplayLearns(t *testing.T) {
	i := slices.IndexFunc(sim.Scenarios(), func(sc *sim.Scenario) bool { return slices.Contains(expected(sc), "stall.raised") })
	if i < 0 {
		t.Fatal("no story with a stall")
	}
	name := write(t, sim.Scenarios()[i], true)
	events := func(profile string) string {
		const line = `{"data":{"ended":{"profile":%q,"mode":"restoring","lasted_s":900,"quiet_s":%d,"finished":true}}}` + "\n"
		var b strings.Builder
		for i := range 8 {
			fmt.Fprintf(&b, line, profile, 600+10*i)
		}
		from := filepath.Join(t.TempDir(), "events.jsonl")
		if err := os.WriteFile(from, []byte(b.String()), 0o600); err != nil {
			t.Fatal(err)
		}
		return from
	}
	store := func(profile string) string {
		dir := t.TempDir()
		l, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, Logger: zaptest.NewLogger(t)})
		if err != nil {
			t.Fatal(err)
		}
		var all []bench.Event
		for i := range 8 {
			at := time.Unix(int64(i), 0)
			all = append(all, bench.Event{Station: "s1", Type: bench.ModeChanged, Time: at, Concluded: at, Data: bench.EventData{Ended: &bench.Stay{
				Profile: profile, Mode: bench.Restoring, Lasted: 900 * time.Second, Quiet: time.Duration(600+10*i) * time.Second, Finished: true,
			}}})
		}
		if err := errors.Join(l.Append(t.Context(), all), l.Close()); err != nil {
			t.Fatal(err)
		}
		return dir
	}
	both := store("another")
	if err := os.Rename(events("invented-handset"), filepath.Join(both, "events.jsonl")); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		from string
		want bool
	}{
		{"", true},
		{events("another"), true},
		{events("invented-handset"), false},
		{store("another"), true},
		{store("invented-handset"), false},
		{both, false},
	} {
		got, warn, err := replay(t, app.ReplayOptions{Recording: name, LearnFrom: tc.from})
		if err != nil || warn != "" || slices.Contains(got, "stall.raised") != tc.want {
			t.Errorf("learning from %q: %v %v %q", tc.from, got, err, warn)
		}
	}
	if _, _, err := replay(t, app.ReplayOptions{Recording: name, LearnFrom: filepath.Join(t.TempDir(), "none")}); !errors.Is(err, app.ErrUnreadable) {
		t.Errorf("no such file: %v", err)
	}
	if _, _, err := replay(t, app.ReplayOptions{Recording: name, LearnFrom: t.TempDir()}); !errors.Is(err, app.ErrLedger) {
		t.Errorf("no ledger in the folder: %v", err)
	}
}
