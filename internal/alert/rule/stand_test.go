package rule_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/alert/rule"
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// TestStands raises each kind that a snapshot shows, by its event and without, and
// takes it back.
func TestStands(t *testing.T) {
	no := time.Time{}
	for _, tt := range []struct {
		typ   bench.EventType
		point string
		hold  float64
		show  func(s *bench.Snapshot, since time.Time)
		over  string
	}{
		{bench.StallRaised, "s01.stalled danger", 0, func(s *bench.Snapshot, at time.Time) { s.Stalled = at }, "it moves again, or has ended"},
		{bench.CurrentHigh, "s01.current-high danger", 0, func(s *bench.Snapshot, at time.Time) { s.Current.High = at }, "the mode in which it drew too much is over"},
		{bench.CurrentCollapsed, "s01.current-collapsed danger", 0, func(s *bench.Snapshot, at time.Time) { s.Current.Collapsed = at }, "the volts hold again"},
		{bench.CurrentDrifting, "s01.current-drifting caution", 0, func(s *bench.Snapshot, at time.Time) { s.Current.Drifting = at }, "the mode in which it drifted is over"},
		{bench.StartHung, "s01.start-hung caution", 0, func(s *bench.Snapshot, at time.Time) { s.StartHung, s.ModeSince = !at.IsZero(), at }, "the start is over"},
		{bench.SupplyLost, "s01.supply-lost caution", 10, func(s *bench.Snapshot, at time.Time) { s.SupplyLost = at }, "the supply answers again"},
		{bench.USBLost, "bench.usb-lost caution", 5, func(s *bench.Snapshot, at time.Time) { s.USBLost = at }, "the USB watch works again"},
	} {
		for _, told := range []bool{true, false} {
			t.Run(fmt.Sprint(tt.typ, told), func(t *testing.T) {
				g := newRig(t, one())
				tt.show(g.snaps["s01"], at(0))
				var got []rule.Change
				if told {
					got = g.event("s01", tt.typ, 0, 0.5, bench.EventData{Why: []string{"the evidence"}})
				}
				if tt.hold > 0 {
					want(t, append(got, g.run(1, tt.hold-1)...))
					got = nil
				}
				got = append(got, g.run(max(tt.hold, 1), tt.hold+100)...)
				want(t, got, "raise "+tt.point)
				if len(got) == 1 && told != (len(got[0].Alert.Why) > 0) {
					t.Errorf("why: %q", got[0].Alert.Why)
				}
				tt.show(g.snaps["s01"], no)
				want(t, g.tick(at(200)), "return "+tt.point+": "+tt.over)
			})
		}
	}
}

// A stall that is over because another run began is not told as a movement.
func TestStallOver(t *testing.T) {
	for kind, over := range map[string]string{"": "it moves again", bench.Unproven: "another run began while nobody watched"} {
		g := newRig(t, one())
		g.snaps["s01"].Stalled = at(0)
		want(t, g.event("s01", bench.StallRaised, 0, 0.5, bench.EventData{}), "raise s01.stalled danger")
		g.snaps["s01"].Stalled = time.Time{}
		want(t, g.event("s01", bench.StallCleared, 1, 1, bench.EventData{Kind: kind}), "return s01.stalled danger: "+over)
	}
}

func TestBlipsAreQuiet(t *testing.T) {
	g := newRig(t, one())
	g.snaps["s01"].SupplyLost = at(0)
	g.event("s01", bench.SupplyLost, 0, 3, bench.EventData{})
	g.run(4, 9)
	g.snaps["s01"].SupplyLost = time.Time{}
	g.event("s01", bench.SupplyBack, 9.5, 9.5, bench.EventData{})
	g.run(10, 60)
	want(t, g.all)

	o := one()
	o.Hold = map[bench.AlertKind]time.Duration{bench.AlertSupplyLost: 0, bench.AlertStalled: time.Hour}
	g = newRig(t, o)
	g.snaps["s01"].SupplyLost, g.snaps["s01"].Stalled = at(0), at(0)
	want(t, g.event("s01", bench.SupplyLost, 0, 3, bench.EventData{}), "raise s01.supply-lost caution", "raise s01.stalled danger")
}

func TestDropsInALoop(t *testing.T) {
	g := newRig(t, one())
	want(t, g.drop("s01", bench.Reset, 0, 0.5), "raise s01.dropped caution")
	g.up("s01", 1)
	g.run(1, 5)
	want(t, g.drop("s01", bench.Reset, 6, 6.5), "amend s01.dropped caution: it dropped again")
	g.up("s01", 7)
	g.run(7, 9)
	g.snaps["s01"].Watch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalCopy}}
	want(t, g.drop("s01", bench.Reset, 10, 10.5), "return s01.dropped caution: it dropped again, and a goal was armed now", "raise s01.dropped danger")
	g.up("s01", 11)
	want(t, g.run(11, 30), "return s01.dropped danger: up again since 14:03:23, for 10 s so far")
}

// A run that is suspected of a drop is not up again.
func TestSuspectIsNotUp(t *testing.T) {
	g := newRig(t, one())
	g.drop("s01", bench.Reset, 0, 0.5)
	g.up("s01", 1)
	g.snaps["s01"].Run.Suspect = true
	want(t, g.run(1, 20))
	g.snaps["s01"].Run.Suspect = false
	want(t, g.tick(at(21)), "return s01.dropped caution: up again since 14:03:13, for 20 s so far")
}

// Events are told at least once: a drop that is over does not come again.
func TestDropToldAgain(t *testing.T) {
	g := newRig(t, one())
	g.tick(at(-1))
	e := g.make("s01", bench.RunDropped, 0, 0.5, dropData(bench.Died))
	g.snaps["s01"].Run = nil
	want(t, g.events("s01", 0.5, e), "raise s01.dropped caution")
	want(t, g.events("s01", 0.5, e))
	g.event("s01", bench.RunReclassified, 0, 5, bench.EventData{Kind: bench.StoppedByMark})
	want(t, g.events("s01", 6, e))
}

func TestStopsAreNoDrops(t *testing.T) {
	g := newRig(t, one())
	g.snaps["s01"].Run = nil
	want(t, g.event("s01", bench.RunStopped, 0, 0, bench.EventData{Kind: bench.StoppedByMark}))
	for kind, why := range map[string]string{
		bench.StoppedByOutput: "the supply's output was switched off: a stop, not a drop",
		bench.StoppedByHands:  "somebody was at the station: a stop, not a drop",
	} {
		g = newRig(t, one())
		g.event("s01", bench.RunDown, 0, 0.2, bench.EventData{})
		g.snaps["s01"].Run = nil
		want(t, g.event("s01", bench.RunStopped, 0, 0.7, bench.EventData{Kind: kind}), "return s01.dropped caution: "+why)
	}
}

func TestDropEnds(t *testing.T) {
	for name, tt := range map[string]struct {
		do   func(s *bench.Snapshot)
		want string
	}{
		"hooked up anew":    {func(s *bench.Snapshot) { s.LastMark = bench.MarkView{At: at(5), Kind: bench.MarkHookup} }, "the boards were hooked up anew"},
		"a stop, unheard":   {func(s *bench.Snapshot) { s.LastRun.EndedAs = bench.RunStopped }, "it was a stop, not a drop"},
		"a later run ended": {func(s *bench.Snapshot) { s.LastRun = &bench.RunView{End: at(6), EndedAs: bench.RunStopped} }, "a later run was stopped"},
	} {
		t.Run(name, func(t *testing.T) {
			g := newRig(t, one())
			g.drop("s01", bench.Died, 0, 0.5)
			want(t, g.run(1, 4))
			tt.do(g.snaps["s01"])
			want(t, g.tick(at(7)), "return s01.dropped caution: "+tt.want)
		})
	}
}

func TestWindowAtRisk(t *testing.T) {
	g := newRig(t, one())
	s := g.snaps["s01"]
	s.Odds = &bench.OddsView{Lasted: 0, Of: 4, High: 0.53}
	want(t, g.run(0, 20))
	s.Odds = &bench.OddsView{Lasted: 0, Of: 5, High: 0.451}
	want(t, g.run(21, 30))
	want(t, g.run(31, 40), "raise s01.window-at-risk caution")
	for i := range 20 { // odds that swing around the limit change nothing
		s.Odds = &bench.OddsView{Lasted: i % 2, Of: 6, High: 0.45 + 0.15*float64(i%2)}
		want(t, g.tick(at(41+float64(i))))
	}
	s.Odds = &bench.OddsView{Lasted: 3, Of: 5, High: 0.9}
	want(t, g.tick(at(70)), "return s01.window-at-risk caution: the odds are better: 3 of 5 runs reached it: the next one 0–90 %")
	s.Odds = &bench.OddsView{Lasted: 0, Of: 6, High: 0.4}
	want(t, g.run(71, 90), "raise s01.window-at-risk caution")
	s.Run, s.LastRun = nil, &bench.RunView{Start: at(-60), End: at(91), EndedAs: bench.RunStopped}
	want(t, g.run(91, 690))
	want(t, g.run(691, 700), "return s01.window-at-risk caution: no run goes on")
}

func TestRegularTakesInRisk(t *testing.T) {
	g := newRig(t, one())
	s := g.snaps["s01"]
	s.Odds = &bench.OddsView{Lasted: 0, Of: 3, High: 0.6, Regular: 178 * time.Second}
	want(t, g.run(0, 12), "raise s01.window-at-risk caution")
	want(t, g.event("s01", bench.RunRegular, 13, 13, bench.EventData{Why: []string{"the last 3 runs dropped 2 min 56 s to 2 min 59 s after their start"}}),
		"return s01.window-at-risk caution: part of the regular drops", "raise s01.drops-regular caution")
	s.Odds.Regular = 0
	want(t, g.run(14, 20)) // outlived, but the window is not met
	s.Odds, s.Run.WindowMet = nil, at(200)
	want(t, g.tick(at(210)), "return s01.drops-regular caution: it has outlived its window")
}

func TestLateGoal(t *testing.T) {
	late := func(g *rig) {
		goal := bench.Goal{Kind: bench.GoalReach, Mode: bench.Recovery, Within: time.Hour}
		g.snaps["s01"].LastWatch = &bench.WatchView{Goal: goal, Ended: at(0), EndedAs: bench.WatchFailed, Kind: bench.WatchLate}
		want(t, g.event("s01", bench.WatchFailed, 0, 5, bench.EventData{Kind: bench.WatchLate, Goal: "reach recovery within 1h"}), "raise s01.goal-late caution")
		want(t, g.run(6, 9))
	}
	for why, do := range map[string]func(s *bench.Snapshot){
		"another goal is armed":     func(s *bench.Snapshot) { s.Watch = &bench.WatchView{} },
		"the goal was put away":     func(s *bench.Snapshot) { s.LastWatch = nil },
		"the goal was reached late": func(s *bench.Snapshot) { s.Mode = bench.Recovery },
		"the run has ended":         func(s *bench.Snapshot) { s.Run, s.LastRun = nil, &bench.RunView{End: at(9)} },
	} {
		g := newRig(t, one())
		late(g)
		do(g.snaps["s01"])
		want(t, g.tick(at(10)), "return s01.goal-late caution: "+why)
	}
	g := newRig(t, one())
	for _, kind := range []string{bench.WatchDisarmed, bench.WatchReplaced, bench.WatchStopped, bench.WatchDropped} {
		want(t, g.event("s01", bench.WatchFailed, 0, 0, bench.EventData{Kind: kind, Goal: "copy"}))
	}
}

func TestWindowMet(t *testing.T) {
	g := newRig(t, one())
	want(t, g.event("s01", bench.WindowMet, 0, 0, bench.EventData{}), "raise s01.window-met notice")
	want(t, g.events("s01", 1,
		g.make("s01", bench.WindowMet, 1, 1, bench.EventData{}),
		g.make("s01", bench.WatchDone, 1, 1, bench.EventData{Goal: "stay"})), "raise s01.goal-reached notice")
	if left := g.r.Standing(); left != nil {
		t.Errorf("news stands: %v", left)
	}
}

func TestTrouble(t *testing.T) {
	g := newRig(t, one())
	want(t, g.r.Trouble(rule.Trouble{Kind: bench.AlertOutlet, Rule: "desk", Since: at(0), Why: "503"}), "raise bench.outlet.desk caution")
	want(t, g.r.Trouble(rule.Trouble{Kind: bench.AlertOutlet, Rule: "desk", Since: at(0), Why: "503"}))
	want(t, g.r.Trouble(rule.Trouble{Kind: bench.AlertOutlet, Rule: "desk", Since: at(9), Why: "504"}), "amend bench.outlet.desk caution: another reason is told")
	want(t, g.r.Trouble(rule.Trouble{Kind: bench.AlertOutlet, Rule: "desk", At: at(10), Over: true}), "return bench.outlet.desk caution: it works again")
	want(t, g.r.Trouble(rule.Trouble{Kind: bench.AlertOutlet, Rule: "desk", At: at(11), Over: true}))
	want(t, g.r.Trouble(rule.Trouble{Kind: bench.AlertLedger, Since: at(12), Why: "no space"}))
	want(t, g.tick(at(13)))
	want(t, g.tick(at(14)), "raise bench.ledger caution")
	gap := g.r.Trouble(rule.Trouble{Kind: bench.AlertUnwatched, Since: at(-600), Until: at(15), At: at(15)})
	want(t, gap, "raise bench.unwatched caution")
	if !gap[0].Alert.Passing {
		t.Error("a gap stands for ever")
	}
}

func TestRestore(t *testing.T) {
	o := rule.Options{Stations: stations(3, "1-2.%d", "psu"), Draw: []rule.Draw{{Name: "cap", Above: 1}}}
	g := newRig(t, o)
	g.drop("s01", bench.Died, 0, 0.5)
	g.drop("s02", bench.Died, 0.1, 0.6)
	g.snaps["s03"].Stalled = at(0)
	g.tick(at(1))
	g.r.Reading(power("s03", 1.5, 2))
	var views []bench.AlertView
	for _, a := range g.r.Standing() {
		views = append(views, bench.AlertView{Alert: a, State: bench.AlertUnacknowledged, Stands: true})
	}
	views = append(views, bench.AlertView{Alert: bench.Alert{Kind: bench.AlertLate, Station: "s01"}})
	if len(views) != 4 {
		t.Fatalf("%d stand", len(views)-1)
	}

	again := newRig(t, o)
	again.r.Restore(views)
	again.r.Restore(views)
	for id, s := range again.snaps {
		*s = bench.Snapshot{Station: id, Mode: bench.Unknown}
	}
	want(t, again.run(100, 114))
	for id, s := range again.snaps {
		*s = *g.snaps[id]
		s.Run = nil
	}
	again.snaps["s03"].Run = &bench.RunView{Start: at(-60)}
	want(t, again.run(115, 120))
	want(t, again.r.Reading(power("s03", 0.4, 121)))
	want(t, again.r.Reading(power("s03", 0.4, 124)), "return s03.draw.cap caution: it draws 400 mA again")
	again.up("s01", 122)
	again.up("s02", 122)
	again.snaps["s03"].Stalled = time.Time{}
	want(t, again.run(125, 140), "return s03.stalled danger: it moves again, or has ended", "return bench.power-lost.psu caution: all its stations are back")
}

func power(id string, amps, when float64) *bench.Observation {
	return &bench.Observation{Station: id, At: at(when), Fact: bench.Power{Amps: unit.Some(unit.FromAmps(amps))}}
}

func TestConfigure(t *testing.T) {
	g := newRig(t, rule.Options{Stations: stations(2, "1-%d", "")})
	g.snaps["s01"].Stalled, g.snaps["s02"].Stalled = at(0), at(0)
	g.run(0, 1)
	delete(g.snaps, "s02")
	g.r.Configure(rule.Options{Stations: stations(1, "1-%d", ""), Zone: time.UTC})
	want(t, g.run(2, 3), "return s02.stalled danger: the station is no longer configured")
}

func TestUnknownStation(t *testing.T) {
	g := newRig(t, rule.Options{})
	g.snaps["new"] = &bench.Snapshot{Station: "new", Name: "New", Stalled: at(0), Reading: bench.ReadingView{}}
	got := g.event("new", bench.StallRaised, 0, 1, bench.EventData{})
	want(t, got, "raise new.stalled danger")
	if c := g.r.Events([]bench.Event{g.make("other", bench.StallRaised, 0, 1, bench.EventData{})}, nil); c != nil {
		t.Errorf("an unknown station without a snapshot: %v", brief(c))
	}
}

// A clock that is stepped back does not keep what waits waiting for as long.
func TestClockStepsBack(t *testing.T) {
	g := newRig(t, one())
	g.tick(at(3600))
	g.snaps["s01"].SupplyLost = at(3600)
	g.event("s01", bench.SupplyLost, 3600, 3603, bench.EventData{})
	want(t, g.run(0, 6))
	want(t, g.run(7, 12), "raise s01.supply-lost caution")
}

// Snapshots of before the events that were heard close nothing.
func TestOldSnapshots(t *testing.T) {
	g := newRig(t, one())
	old := *g.snaps["s01"]
	old.At = at(9)
	g.snaps["s01"].Stalled = at(5)
	g.event("s01", bench.StallRaised, 5, 10, bench.EventData{})
	want(t, g.r.Tick(at(11), []bench.Snapshot{old}))
}

// TestNothingStandsForEver lets anything happen, then calm.
func TestNothingStandsForEver(t *testing.T) {
	types := []bench.EventType{
		bench.RunDown, bench.RunDropped, bench.RunStarted, bench.RunStopped, bench.RunReclassified, bench.RunRegular, bench.WindowMet, bench.WindowMissed,
		bench.StartHung, bench.StallRaised, bench.StallCleared, bench.WatchArmed, bench.WatchDone, bench.WatchFailed, bench.CurrentHigh,
		bench.CurrentDrifting, bench.CurrentCollapsed, bench.SupplyLost, bench.SupplyBack, bench.USBLost, bench.USBBack, "benchvigil.unheard.of",
	}
	kinds := []string{"", bench.Died, bench.LinkLost, bench.Reset, bench.WatchLate, bench.WatchDropped, bench.StoppedByMark, bench.Leak}
	rapid.Check(t, func(rt *rapid.T) {
		list := mixedBench(rapid.IntRange(1, 8).Draw(rt, "stations"))
		g := newRig(t, rule.Options{Stations: list, Draw: []rule.Draw{{Name: "cap", Above: 1}, {Name: "jump", Change: 0.1, Within: 5 * time.Second}}})
		now := 0.0
		some := func(name string) time.Time {
			if rapid.IntRange(0, 2).Draw(rt, name) == 0 {
				return at(now)
			}
			return time.Time{}
		}
		for range rapid.IntRange(1, 60).Draw(rt, "steps") {
			now += float64(rapid.IntRange(1, 30).Draw(rt, "wait")) / 10
			s := g.snaps[rapid.SampledFrom(list).Draw(rt, "who").ID]
			switch rapid.IntRange(0, 3).Draw(rt, "what") {
			case 0:
				s.Stalled, s.SupplyLost, s.USBLost, s.Current.High = some("stalled"), some("supply"), some("usb"), some("high")
				s.USB.Present, s.USB.Gone, s.USB.Overdue = false, at(now), !some("overdue").IsZero()
				s.Odds = &bench.OddsView{Of: 9, High: 0.3}
			case 1:
				g.note(g.r.Reading(power(s.Station, float64(rapid.IntRange(0, 20).Draw(rt, "amps"))/10, now)))
			case 2:
				g.tick(at(now))
			case 3:
				typ, kind := rapid.SampledFrom(types).Draw(rt, "type"), rapid.SampledFrom(kinds).Draw(rt, "kind")
				g.event(s.Station, typ, now, now, bench.EventData{Kind: kind, Goal: "copy"})
			}
		}
		now++
		for id, s := range g.snaps {
			*s = bench.Snapshot{Station: id, Mode: bench.Running, Run: &bench.RunView{Start: at(now)}, USB: bench.USBView{Present: true}}
			g.note(g.r.Reading(power(id, 0.4, now)))
		}
		for s := now; s < now+40; s++ {
			for id := range g.snaps {
				g.note(g.r.Reading(power(id, 0.4, s)))
			}
			g.tick(at(s))
		}
		if d := cmp.Diff([]bench.Alert(nil), g.r.Standing()); d != "" {
			rt.Fatalf("stands for ever: %s", d)
		}
		countRaised(rt, g.all)
	})
}
