package rule_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/alert/rule"
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

var t0 = time.Date(2026, 3, 2, 14, 3, 12, 0, time.UTC)

func at(s float64) time.Time { return t0.Add(time.Duration(s * float64(time.Second))) }

// rig is Rules with stations whose snapshots a test changes as it goes.
type rig struct {
	t     testing.TB
	r     *rule.Rules
	snaps map[string]*bench.Snapshot
	count uint64
	all   []rule.Change
}

func newRig(t testing.TB, o rule.Options) *rig {
	t.Helper()
	o.Zone = time.UTC
	g := &rig{t: t, r: rule.New(o), snaps: map[string]*bench.Snapshot{}}
	for _, s := range o.Stations {
		g.snaps[s.ID] = &bench.Snapshot{
			Station: s.ID, Name: s.Name, Port: s.Port, Profile: s.Profile, Mode: bench.Running, Label: "running", Window: 210 * time.Second,
			Run:     &bench.RunView{Start: at(-60), Origin: at(-40), Uptime: time.Minute},
			Reading: bench.ReadingView{At: at(-2), Amps: unit.Some(412 * unit.Milliampere)},
			USB:     bench.USBView{Present: true},
		}
	}
	return g
}

// tick lets time come to a moment with all stations as they are.
func (g *rig) tick(now time.Time) []rule.Change {
	g.t.Helper()
	var all []bench.Snapshot
	for _, id := range sorted(g.snaps) {
		s := *g.snaps[id]
		s.At = now
		if s.Run != nil {
			run := *s.Run
			run.Uptime = now.Sub(run.Start)
			s.Run = &run
		}
		if s.SupplyLost.IsZero() {
			s.Reading.At = now
		}
		all = append(all, s)
	}
	return g.note(g.r.Tick(now, all))
}

// run ticks once a second from one moment to another.
func (g *rig) run(from, to float64) (out []rule.Change) {
	g.t.Helper()
	for s := from; s <= to; s++ {
		out = append(out, g.tick(at(s))...)
	}
	return out
}

func (g *rig) event(id string, typ bench.EventType, when, concluded float64, d bench.EventData) []rule.Change {
	g.t.Helper()
	return g.events(id, concluded, g.make(id, typ, when, concluded, d))
}

func (g *rig) make(id string, typ bench.EventType, when, concluded float64, d bench.EventData) bench.Event {
	g.count++
	return bench.Event{Station: id, Type: typ, Time: at(when), Concluded: at(concluded), Count: g.count, Data: d}
}

func (g *rig) events(id string, now float64, events ...bench.Event) []rule.Change {
	g.t.Helper()
	s := *g.snaps[id]
	s.At = at(now)
	return g.note(g.r.Events(events, &s))
}

// drop takes a board down.
func (g *rig) drop(id, kind string, when, concluded float64) []rule.Change {
	g.t.Helper()
	s := g.snaps[id]
	s.Run, s.Mode, s.Label = nil, bench.Off, "off"
	s.LastRun = &bench.RunView{Start: at(-60), Origin: at(-40), End: at(when), EndedAs: bench.RunDropped, Kind: kind}
	s.Reading.Amps = unit.Some(unit.Current(0))
	return g.event(id, bench.RunDropped, when, concluded, dropData(kind))
}

func dropData(kind string) bench.EventData {
	return bench.EventData{
		Kind: kind, Mode: bench.Running, Uptime: unit.Some(178 * time.Second), Window: unit.Some(210 * time.Second),
		Why: []string{"0.00 mA for 0.2 s, the off band ends at 2.00 mA", "the supply held 3.800 V"},
	}
}

// up lets a new run go on.
func (g *rig) up(id string, from float64) {
	s := g.snaps[id]
	s.Run, s.Mode, s.Label = &bench.RunView{Start: at(from)}, bench.Starting, "starting"
	s.Reading.Amps = unit.Some(500 * unit.Milliampere)
}

func (g *rig) note(c []rule.Change) []rule.Change {
	g.all = append(g.all, c...)
	return c
}

func sorted(m map[string]*bench.Snapshot) (ids []string) {
	for id := range m {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	return ids
}

// brief prints changes one a line: what, where, how grave.
func brief(changes []rule.Change) (out []string) {
	for _, c := range changes {
		text := fmt.Sprintf("%s %s %s", c.What, c.Alert.Point(), c.Alert.Severity)
		if c.Why != "" {
			text += ": " + c.Why
		}
		out = append(out, text)
	}
	return out
}

func want(t testing.TB, got []rule.Change, want ...string) {
	t.Helper()
	if d := cmp.Diff(want, brief(got)); d != "" {
		t.Errorf("changes (-want +got):\n%s", d)
	}
}

func stations(n int, port, supply string) (out []rule.Station) {
	for i := range n {
		out = append(out, rule.Station{
			ID: fmt.Sprintf("s%02d", i+1), Name: fmt.Sprintf("B%d", i+1), Port: fmt.Sprintf(port, i+1), Profile: "invented-handset",
			Supply: supply, Window: 210 * time.Second,
		})
	}
	return out
}

func one() rule.Options { return rule.Options{Stations: stations(1, "1-%d", "psu")} }

func TestDropWithoutGoal(t *testing.T) {
	g := newRig(t, one())
	g.run(-5, -1)
	got := g.drop("s01", bench.Reset, 0, 0.4)
	want(t, got, "raise s01.dropped caution")
	a := got[0].Alert
	if a.Before.Or(0) != 412*unit.Milliampere || a.Amps.Or(-1) != 0 && a.Amps.Known() {
		t.Errorf("now %v, before %v", a.Amps, a.Before)
	}
	if !strings.Contains(a.Text, "40 s of 3 min 30 s") || !strings.Contains(a.Title, "B1: dropped (reset) 14:03:12") {
		t.Errorf("%q\n%q", a.Title, a.Text)
	}
	g.up("s01", 1)
	want(t, g.run(1, 10))
	want(t, g.tick(at(11)), "return s01.dropped caution: up again since 14:03:13, for 10 s so far")
}

func TestDropWithGoal(t *testing.T) {
	g := newRig(t, one())
	s := g.snaps["s01"]
	s.Run = nil
	got := g.events("s01", 0.5,
		g.make("s01", bench.RunDropped, 0, 0.5, dropData(bench.Died)),
		g.make("s01", bench.WatchFailed, 0, 0.5, bench.EventData{Kind: bench.WatchDropped, Goal: "stay 3h"}),
	)
	want(t, got, "raise s01.dropped danger")
	want(t, g.event("s01", bench.RunReclassified, 0, 30, bench.EventData{Kind: bench.StoppedByMark, By: "kim", Why: []string{"kim said that it was them"}}),
		"return s01.dropped danger: somebody said that it was a stop, not a drop")
}

// The phone rings with the certainty; the kind comes after.
func TestDownThenKind(t *testing.T) {
	g := newRig(t, one())
	g.snaps["s01"].Watch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalStay}}
	first := g.event("s01", bench.RunDown, 0, 0.2, bench.EventData{Uptime: unit.Some(178 * time.Second), Why: []string{"0.00 mA for 0.2 s"}})
	want(t, first, "raise s01.dropped danger")
	g.snaps["s01"].Watch = nil
	then := g.drop("s01", bench.BrownOut, 0, 0.7)
	want(t, then, "amend s01.dropped danger: its kind is known")
	if first[0].Alert.Key != then[0].Alert.Key || first[0].Alert.Key != "s01.dropped.1772460192000" {
		t.Errorf("keys %q, %q", first[0].Alert.Key, then[0].Alert.Key)
	}
}

// A goal that turns out to have been at stake has to ring.
func TestGraver(t *testing.T) {
	g := newRig(t, one())
	g.event("s01", bench.RunDown, 0, 0.2, bench.EventData{})
	g.snaps["s01"].Run = nil
	got := g.events("s01", 0.7,
		g.make("s01", bench.RunDropped, 0, 0.7, dropData(bench.Died)),
		g.make("s01", bench.WatchFailed, 0, 0.7, bench.EventData{Kind: bench.WatchDropped, Goal: "copy"}))
	want(t, got, "amend s01.dropped danger: its kind is known")
	want(t, g.event("s01", bench.RunReclassified, 0, 1, bench.EventData{Kind: bench.StoppedByMark}),
		"return s01.dropped danger: somebody said that it was a stop, not a drop")
	countRaised(t, g.all)
}
