package rule_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// secret stands wherever people write freely: what they write may be a name or an
// unlock code, and must never stand on a lock screen.
const secret = "Zorro-4711"

// Types of events whose evidence holds a mark's words.
var byMarks = []bench.EventType{bench.RunStopped, bench.RunReclassified, bench.WatchDone, bench.WatchFailed, bench.WatchArmed, bench.RunStarted}

func TestNoMarkLeaks(t *testing.T) {
	g := newRig(t, one())
	s := g.snaps["s01"]
	s.Profile, s.USB.Serial, s.SupplyError, s.USBError = secret, secret, secret, secret
	s.LastMark = bench.MarkView{At: at(-1), Kind: bench.MarkNote, Text: secret, By: secret}
	s.Marks = []bench.MarkView{s.LastMark}
	s.Screen.By = secret
	stay := bench.Goal{Kind: bench.GoalStay}
	s.LastWatch = &bench.WatchView{Goal: stay, By: secret, Why: secret}
	d := func(kind string) bench.EventData {
		return bench.EventData{Kind: kind, By: secret, Goal: "stay", Uptime: unit.Some(time.Minute), Why: []string{secret}}
	}
	now := 0.0
	send := func(typ bench.EventType, d bench.EventData) {
		now++
		s.Recent = append(s.Recent, g.make("s01", typ, now, now, d))
		g.event("s01", typ, now, now, d)
	}
	for _, typ := range byMarks {
		for _, kind := range []string{
			"", bench.Resumed, bench.StoppedByMark, bench.StoppedByHands, bench.WatchMarked, bench.WatchDisarmed, bench.WatchReplaced, bench.WatchStopped,
		} {
			if kind == "" && typ == bench.WatchDone {
				continue // its evidence is inference's own
			}
			s.Watch = &bench.WatchView{Goal: stay, By: secret, Why: secret}
			plain := d("")
			plain.By, plain.Why = "", nil
			send(bench.RunDown, plain)
			send(bench.StallRaised, plain)
			dropAt := now - 1
			g.event("s01", typ, dropAt, now, d(kind))
			odd := d(kind)
			odd.Goal = secret
			send(typ, odd)
		}
	}
	send(bench.WatchFailed, d(bench.WatchLate))
	s.Current = bench.CurrentView{High: at(now), Drifting: at(now), Collapsed: at(now)}
	s.SupplyLost, s.USBLost, s.StartHung = at(now), at(now), true
	g.run(now+1, now+60)
	*s = bench.Snapshot{Station: "s01", At: at(now)}
	g.run(now+61, now+62)
	if len(g.all) < 20 {
		t.Fatalf("only %d changes were looked at", len(g.all))
	}
	for _, c := range g.all {
		b, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(b), secret) {
			t.Errorf("%s", b)
		}
	}
}

func TestWatchDoneByMarkIsNoNews(t *testing.T) {
	g := newRig(t, one())
	want(t, g.event("s01", bench.WatchDone, 0, 0, bench.EventData{Kind: bench.WatchMarked, By: "kim", Goal: "copy"}))
	got := g.event("s01", bench.WatchDone, 1, 1, bench.EventData{Goal: "stay 3h"})
	want(t, got, "raise s01.goal-reached notice")
	if !got[0].Alert.Passing || got[0].Alert.Case != "" {
		t.Errorf("%+v", got[0].Alert)
	}
}
