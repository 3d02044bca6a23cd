package app

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
	"go.uber.org/zap"

	"benchvigil/configs"
	"benchvigil/internal/bench"
	"benchvigil/internal/config"
	"benchvigil/internal/profile"
	"benchvigil/internal/sim"
	"benchvigil/internal/sim/play"
	"benchvigil/internal/supply"
	"benchvigil/internal/unit"
	"benchvigil/internal/usb"
)

// stage is a simulated bench that is watched by a plan which can be replaced.
type stage struct {
	t    *testing.T
	b    *play.Bench
	a    *assembly
	dir  string
	next chan config.Config
	ask  chan struct{}
	done chan error
	stop func()
}

// speed is how many times as fast time runs on the stage.
const speed = 10

// newStage begins with the stations s1 to s3.
func newStage(t *testing.T) *stage {
	t.Helper()
	already := goleak.IgnoreCurrent()
	t.Cleanup(func() { goleak.VerifyNone(t, already) })
	b, err := play.New(play.Options{Stations: 4, Stories: longRuns(), Speed: speed, Once: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	s := &stage{t: t, b: b, dir: t.TempDir(), next: make(chan config.Config, 1), ask: make(chan struct{}), done: make(chan error, 1)}
	p := s.plan(s.config("s1", "s2", "s3"))
	p.Extra = []Source{b}
	p.Events, p.Record = filepath.Join(s.dir, "events.jsonl"), filepath.Join(s.dir, "watch.jsonl")
	p.Reload = Reload{Changed: s.ask, Load: func() (*Plan, error) {
		c := <-s.next
		if c.Bench == "" {
			return nil, errors.New("config.yaml:1: bench: missing")
		}
		return s.plan(c), nil
	}}
	if s.a, err = assemble(p); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	s.stop = func() {
		cancel()
		if err := <-s.done; err != nil {
			t.Error(err)
		}
	}
	go func() { s.done <- runLayers(ctx, s.a.layers(), func() {}) }()
	return s
}

// longRuns are stories in which a board comes up within half a minute and then
// stays up for minutes.
func longRuns() (out []*sim.Scenario) {
	for _, s := range sim.Scenarios() {
		if s.Name == "window-met" {
			out = append(out, s)
		}
	}
	return out
}

func (s *stage) config(ids ...string) config.Config {
	s.t.Helper()
	p, err := profile.Load(configs.Profiles(), "invented-handset.yaml")
	if err != nil {
		s.t.Fatal(err)
	}
	c := config.Config{Bench: "stage", Listen: "127.0.0.1:0", USB: config.USB{Rescan: time.Second}}
	for _, st := range s.b.Stations {
		if slices.Contains(ids, st.ID) {
			c.Stations = append(c.Stations, config.Station{
				ID: st.ID, Name: st.ID, Port: st.Port, Profile: p, Window: p.Window, Power: bench.FromSupply,
				Supply: unit.Some(config.Supply{Address: st.Supply, Query: "MEAS:VOLT?;CURR?", Every: 20 * time.Millisecond, Timeout: time.Second}),
			})
		}
	}
	return c
}

func (s *stage) plan(c config.Config) *Plan {
	p := &Plan{
		From: c, Bench: c.Bench, Listen: c.Listen, Version: "test", Now: s.b.Clock.Now, Logger: zap.NewNop(),
		USB: usb.Options{
			Sysfs: s.b.USB, Listen: s.b.USB.Listen, Rescan: c.USB.Rescan, Traffic: 100 * time.Millisecond, Poll: 10 * time.Millisecond,
		},
	}
	for _, st := range c.Stations {
		sp := stationPlan(st)
		o := *sp.Supply
		sp.Supply = &supply.Options{Address: o.Address, Query: o.Query, Every: o.Every, Timeout: o.Timeout}
		p.Stations = append(p.Stations, sp)
	}
	return p
}

// reload makes a configuration the new one and waits until it was taken.
func (s *stage) reload(c config.Config) {
	s.t.Helper()
	was := s.a.loaded.Load()
	s.next <- c
	s.ask <- struct{}{}
	s.until("the reload done", func() bool { return s.a.loaded.Load() != was })
}

func (s *stage) look(id string) bench.Snapshot {
	s.t.Helper()
	for _, v := range s.a.snapshots() {
		if v.Station == id {
			return v
		}
	}
	s.t.Fatalf("no station %s", id)
	return bench.Snapshot{}
}

func (s *stage) until(what string, ok func() bool) {
	s.t.Helper()
	Eventually(s.t, 30*time.Second, what, ok)
}

// up reports a run and a device on the port.
func (s *stage) up(ids ...string) func() bool {
	return func() bool {
		for _, id := range ids {
			if v := s.look(id); v.Run == nil || !v.USB.Present || v.Mode != bench.Running {
				return false
			}
		}
		return true
	}
}

// In the middle of runs one station changes, one goes and one comes: the run
// of the one that did not change goes on without a break, and all that was
// concluded can be concluded from the recording again.
func TestReloadInTheMiddleOfARun(t *testing.T) {
	s := newStage(t)
	s.until("three boards running", s.up("s1", "s2", "s3"))
	for _, id := range []string{"s1", "s2", "s3"} {
		s.a.mark(id, bench.Mark{Kind: bench.MarkArm, By: "kim", Text: "stay 9h"})
	}
	s.until("goals armed", func() bool { return s.look("s1").Watch != nil && s.look("s2").Watch != nil })
	armed := s.look("s1").Watch.Armed
	before, engine := s.look("s1"), s.a.setup.Load().byID["s1"].station
	watcher, rescans := s.a.setup.Load().watcher, s.a.counts().Rescans

	c := s.config("s1", "s2", "s4")
	c.Stations[0].Name = "First" // which is no reason to begin anew
	c.Stations[0].Auto = []bench.Mode{bench.Restoring}
	c.Stations[1].Name, c.Stations[1].VBUS = "Second", true
	s.reload(c)

	if got := s.ids(); !slices.Equal(got, []string{"s1", "s2", "s4"}) {
		t.Errorf("stations %v", got)
	}
	if s.a.setup.Load().watcher == watcher || s.a.counts().Rescans < rescans {
		t.Errorf("the watcher is the same, or its count fell from %d to %d", rescans, s.a.counts().Rescans)
	}
	s.until("the changed and the new one running", s.up("s2", "s4"))
	s.until("the unchanged one going on", func() bool {
		v := s.look("s1")
		return v.Counts.Readings > before.Counts.Readings+20 && v.Run != nil && v.Run.Uptime > before.Run.Uptime+5*time.Second
	})
	after := s.look("s1")
	if after.Name != "First" {
		t.Errorf("s1 is still called %q", after.Name)
	}
	// On a busy computer the first look may have come after the start: then it was assumed before, too.
	if !after.Run.Start.Equal(before.Run.Start) || after.Run.Assumed != before.Run.Assumed || s.a.setup.Load().byID["s1"].station != engine {
		t.Errorf("the run of s1 was %+v, now %+v", before.Run, after.Run)
	}
	if !after.USB.Since.Equal(before.USB.Since) {
		t.Errorf("the device of s1 stands there since %v, now since %v", before.USB.Since, after.USB.Since)
	}
	if v := s.look("s2"); v.Name != "Second" || !v.Hookup.VBUS || !v.Run.Assumed {
		t.Errorf("s2 is %q, wired %+v, with run %+v; want it changed, with a run that was there before", v.Name, v.Hookup, v.Run)
	}

	// Goals stay armed; on the one that began anew, the time counts anew.
	s.until("the goal of the changed one armed again", func() bool { return s.look("s2").Watch != nil })
	if w := s.look("s1").Watch; w == nil || !w.Armed.Equal(armed) {
		t.Errorf("s1 had a goal armed since %v, now %+v", armed, w)
	}
	if w := s.look("s2").Watch; w.By != "kim" || w.Goal.For != 9*time.Hour || !w.Armed.After(armed) {
		t.Errorf("s2 has the goal %+v, armed before %v", w, armed)
	}

	// The unchanged one still hears of its port.
	s.b.USB.Unplug("1-1")
	s.until("the unchanged one without a device", func() bool { return !s.look("s1").USB.Present })
	s.stop()
	s.replays()
}

func (s *stage) ids() (out []string) {
	for _, v := range s.a.snapshots() {
		out = append(out, v.Station)
	}
	return out
}

// replays holds the events against those of the recording.
func (s *stage) replays() {
	s.t.Helper()
	live, err := os.ReadFile(filepath.Join(s.dir, "events.jsonl"))
	if err != nil {
		s.t.Fatal(err)
	}
	handset := filepath.Join("..", "..", "configs", "profiles", "invented-handset.yaml")
	var again bytes.Buffer
	err = Replay(ReplayOptions{Recording: filepath.Join(s.dir, "watch.jsonl"), Profile: handset, Out: &again, Warn: io.Discard})
	if err != nil {
		s.t.Fatal(err)
	}
	if diff := cmp.Diff(perStation(s.t, live), perStation(s.t, again.Bytes())); diff != "" {
		s.t.Errorf("(-live +replayed):\n%s", diff)
	}
}

func perStation(t *testing.T, b []byte) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	for sc := bufio.NewScanner(bytes.NewReader(b)); sc.Scan(); {
		var e struct{ Source string }
		if err := json.Unmarshal(sc.Bytes(), &e); err != nil {
			t.Fatal(err)
		}
		out[e.Source] = append(out[e.Source], sc.Text())
	}
	return out
}

// Nothing begins anew when nothing changed, or when what is new is bad.
func TestReloadOfNothing(t *testing.T) {
	s := newStage(t)
	s.until("three boards running", s.up("s1", "s2", "s3"))
	was := s.a.setup.Load()
	s.reload(s.config("s1", "s2", "s3"))
	now := s.a.setup.Load()
	if !slices.Equal(was.places, now.places) || was.watcher != now.watcher || now.watching == nil {
		t.Error("something was made anew though nothing changed")
	}
	good := s.a.loaded.Load()
	notice := s.a.notice()
	if got := notice(); got != "" {
		t.Errorf("a notice before anything is wrong: %q", got)
	}
	s.reload(config.Config{})
	if got := notice(); !strings.HasPrefix(got, "The new configuration is refused since ") || !strings.HasSuffix(got, "config.yaml:1: bench: missing") {
		t.Errorf("the notice of a refusal reads %q", got)
	}
	var table bytes.Buffer
	err := ShowStatus(t.Context(), StatusOptions{URL: "http://" + s.a.listener.Addr().String(), Out: &table})
	if err != nil || !strings.HasPrefix(table.String(), notice()+"\nSTATION") {
		t.Errorf("status says %v:\n%s", err, &table)
	}
	var beside bytes.Buffer
	table.Reset()
	err = ShowStatus(t.Context(), StatusOptions{URL: "http://" + s.a.listener.Addr().String(), JSON: true, Out: &table, Say: &beside})
	if err != nil || !json.Valid(table.Bytes()) || beside.String() != notice()+"\n" {
		t.Errorf("status as JSON says %v, beside it %q:\n%s", err, &beside, &table)
	}
	since := s.a.loaded.Load().since
	if s.reload(config.Config{}); !s.a.loaded.Load().since.Equal(since) {
		t.Error("a second refusal hides when it began")
	}
	if l := s.a.loaded.Load(); l.ok || !l.at.Equal(good.at) || s.a.setup.Load() != now {
		t.Errorf("after a bad configuration: ok %v at %v, want the old one in force since %v", l.ok, l.at, good.at)
	}
	s.reload(s.config("s1", "s2", "s3"))
	if l := s.a.loaded.Load(); !l.ok || !l.at.After(good.at) || notice() != "" {
		t.Errorf("after a good one: %+v", l)
	}
	s.stop()
	s.replays()
}

// The USB watch can go and come with the last and the first port.
func TestReloadWithoutPorts(t *testing.T) {
	s := newStage(t)
	s.until("three boards running", s.up("s1", "s2", "s3"))
	none := s.config("s1", "s2", "s3")
	for i := range none.Stations {
		none.Stations[i].Port = ""
	}
	s.reload(none)
	if set := s.a.setup.Load(); set.watcher != nil || set.watching != nil || s.a.counts().Rescans == 0 {
		t.Errorf("the ports are still watched, or their counts forgotten: %+v", s.a.counts())
	}
	s.reload(s.config("s1", "s2", "s3"))
	s.until("three boards running again", s.up("s1", "s2", "s3"))
	s.stop()
	s.replays()
}

// A mark, and whoever follows live, reach the stations of now.
func TestReloadServesThoseOfNow(t *testing.T) {
	s := newStage(t)
	s.until("three boards running", s.up("s1", "s2", "s3"))
	s.reload(s.config("s3", "s4"))
	note := bench.Mark{Kind: bench.MarkNote, By: "kim", Text: "x"}
	if s.a.mark("s1", note) || !s.a.mark("s4", note) {
		t.Error("marks go to stations that are gone, or not to those that came")
	}
	first, _, cancel := s.a.follow(t.Context(), "")
	cancel()
	var h struct{ Stations map[string]any }
	if err := json.Unmarshal(first[0], &h); err != nil || len(h.Stations) != 2 || h.Stations["s4"] == nil {
		t.Errorf("followers are told of %v, %v", h.Stations, err)
	}
	s.stop()
	if b, err := os.ReadFile(filepath.Join(s.dir, "watch.jsonl")); err != nil || strings.Count(string(b), `{"recording":1`) != 2 {
		t.Errorf("the recording has not two headers, %v", err)
	}
}
