package infer_test

import (
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
)

// The rules here are common practice of the trade, from memory: no standard
// holds them.

// tellTrade plays commands and returns the events by type.
func tellTrade(t *testing.T, s *story, commands string) map[bench.EventType][]bench.Event {
	t.Helper()
	from := len(s.events)
	s.tell(commands)
	out := map[bench.EventType][]bench.Event{}
	for _, e := range s.events[from:] {
		out[e.Type] = append(out[e.Type], e)
	}
	return out
}

// only fails for every event of another type than these.
func only(t *testing.T, s *story, types ...bench.EventType) {
	t.Helper()
	for _, e := range s.events {
		if !slices.Contains(types, e.Type) {
			t.Errorf("unasked for: %s %s", s.offset(e.Concluded), s.describe(e))
		}
	}
}

// quietly are the events of a board that does what it should.
var quietly = []bench.EventType{bench.ModeChanged, bench.RunStarted, bench.RunRestarted, bench.WindowMet, bench.StallCleared}

// timerCycle is a start, and a reset by itself three minutes after it.
func timerCycle(up string) string {
	return "read 3.8 0.5 20s ripple=0.1\nadd 0004\nread 3.8 0.4 " + up + " ripple=0.05\nremove\nread 3.8 0 0.5s\n"
}

// Common practice: a phone board that misses one of its sensors resets at about
// three minutes after its system starts, again and again. It is said to be
// regular, and never that it will last.
func TestTradeSensorMissing(t *testing.T) {
	s := newStory(t, handset(t))
	s.tell("station\nread 3.8 0 1s")
	got := tellTrade(t, s, timerCycle("180s")+timerCycle("179.6s")+timerCycle("180.5s")+"read 3.8 0.5 1s ripple=0.1")
	if n := len(got[bench.RunDropped]); n != 3 || len(got[bench.WindowMissed]) != 3 || len(got[bench.WindowMet]) != 0 {
		t.Errorf("%d drops, %d windows missed, %d met; want 3, 3, 0", n, len(got[bench.WindowMissed]), len(got[bench.WindowMet]))
	}
	for _, e := range got[bench.RunDropped] {
		if e.Data.Kind != bench.Reset {
			t.Errorf("a drop of kind %s, want %s", e.Data.Kind, bench.Reset)
		}
	}
	if n := len(got[bench.RunRegular]); n != 1 || !strings.Contains(strings.Join(got[bench.RunRegular][0].Data.Why, "; "), "timer") {
		t.Fatalf("said %d times to be regular, want once, and that it points at a timer", n)
	}
	s.tell("read 3.8 0.5 19s ripple=0.1\nadd 0004\nread 3.8 0.4 60s ripple=0.05")
	odds := s.ahead().Odds
	if odds == nil || odds.Lasted != 0 || odds.Share != 0 || odds.Regular < 170*time.Second || odds.Regular > 190*time.Second {
		t.Errorf("odds of the next run: %+v, want none that lasted, and the timer at about three minutes", odds)
	}
}

// Common practice: with the part fitted the board passes. That is another
// hook-up: its odds are its own.
func TestTradePartFitted(t *testing.T) {
	s := newStory(t, handset(t))
	s.tell("station\nread 3.8 0 1s")
	s.tell(timerCycle("180s") + timerCycle("179.6s") + timerCycle("180.5s"))
	s.tell("read 3.8 0 20s\nmark hook-up kim sensor fitted\nquiet 1s")
	if odds := s.ahead().Odds; odds != nil {
		t.Errorf("odds of the new hook-up: %+v, want none yet", odds)
	}
	got := tellTrade(t, s, "read 3.8 0.5 20s ripple=0.1\nadd 0004\nread 3.8 0.4 230s ripple=0.05\nremove\nread 3.8 0 5s")
	if len(got[bench.WindowMet]) != 1 || len(got[bench.RunRegular]) != 0 {
		t.Errorf("window met %d times and regular %d times, want once and never", len(got[bench.WindowMet]), len(got[bench.RunRegular]))
	}
	if odds := s.ahead().Odds; odds == nil || odds.Of != 1 || odds.Lasted != 1 || odds.Regular != 0 {
		t.Errorf("odds: %+v, want 1 of 1 and no timer", odds)
	}
}

// Common practice: a restore may take hours. One that moves raises nothing,
// through restarts and quiet times shorter than the limit.
func TestTradeLongRestore(t *testing.T) {
	s := newStory(t, handset(t))
	s.tell("station\nurbs 60\nread 3.8 0 1s\nread 3.8 0.5 15s ripple=0.1\nadd 0002\nread 3.8 0.4 10s\nremove\nread 3.8 0.5 4s ripple=0.1\nadd 0003")
	for range 6 {
		s.tell("urbs 60\nread 3.8 0.8 15m ripple=0.3\nurbs 0\nread 3.8 0.4 110s\nurbs 60\nread 3.8 0.7 2m50s ripple=0.2\nremove\nread 3.8 0.5 25s ripple=0.1\nadd 0003")
	}
	s.tell("read 3.8 0.8 60s ripple=0.3")
	if up := s.now.Sub(s.start); up < 2*time.Hour {
		t.Fatalf("only %v were told", up)
	}
	only(t, s, quietly...)
}

// Common practice: a re-pairing works by itself for a quarter of an hour and
// more, with nothing on the bus. It raises nothing, whether the device shows
// its normal identity meanwhile or none, and whether somebody marked it or not.
func TestTradeSilentRePairing(t *testing.T) {
	for name, tt := range map[string]struct {
		p        *profile.Profile
		commands string
	}{
		"under its normal identity":         {sharedIdentity(t), "mark screen kim repair prompt\n"},
		"under its normal identity, unsaid": {sharedIdentity(t), ""},
		"off the bus":                       {handset(t), "remove\nread 3.8 0.4 2s\nmark screen kim progress bar\n"},
	} {
		t.Run(name, func(t *testing.T) {
			s := newStory(t, tt.p)
			first := "add 0004\n"
			if strings.Contains(tt.commands, "remove") {
				first = "add 0002\n"
			}
			s.tell("station\nurbs 0\nread 3.8 0 1s\nread 3.8 0.5 15s ripple=0.1\n" + first + "read 3.8 0.4 20s ripple=0.1\n" + tt.commands)
			for range 4 { // it works, and rests for two minutes at a time
				s.tell("read 3.8 0.5 2m30s ripple=0.2\nread 3.8 0.35 2m")
			}
			only(t, s, quietly...)
			if m := s.mode(); strings.Contains(tt.commands, "mark") && m != bench.RePairing {
				t.Errorf("shown as %s", m)
			}
		})
	}
}

// sharedIdentity is the invented handset, but it re-pairs under the identity of
// running.
func sharedIdentity(t *testing.T) *profile.Profile {
	t.Helper()
	text, err := os.ReadFile("../../configs/profiles/invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	shared := strings.Replace(string(text), "re-pairing: {", `re-pairing: {usb: ["1209:0004"], `, 1)
	p, err := profile.Parse(strings.NewReader(shared), "shared.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Common practice: the first start of a data board with a strange companion
// shows a blank screen or a progress bar, and restarts by itself. It is neither
// a drop nor a stall.
func TestTradeFirstStartWithStrangeCompanion(t *testing.T) {
	s := newStory(t, handset(t))
	s.tell("station\nurbs 0\nread 3.8 0 1s\nread 3.8 0.5 20s ripple=0.1\nmark screen kim blank\nread 3.8 0.5 20s ripple=0.1")
	s.tell("mark screen kim progress bar")
	for range 2 { // it restarts: less flows for a moment, never nothing
		s.tell("read 3.8 0.6 4m ripple=0.2\nread 3.8 0.12 0.6s\nread 3.8 0.5 25s ripple=0.1")
	}
	s.tell("add 0004\nread 3.8 0.4 30s ripple=0.1")
	only(t, s, quietly...)
	if m := s.mode(); m != bench.Running {
		t.Errorf("shown as %s in the end", m)
	}
}

// Common practice: a board whose button is held while the cable is plugged in
// goes from off to recovery directly. No start hangs, however long it stays.
func TestTradeButtonHeld(t *testing.T) {
	for _, station := range []string{"station", "station vbus", "station battery"} {
		t.Run(station, func(t *testing.T) {
			s := newStory(t, handset(t))
			s.tell(station + "\nurbs 3\nremove")
			if strings.HasSuffix(station, "battery") {
				s.tell("quiet 5s\nadd 0002\nquiet 10m")
			} else {
				s.tell("read 3.8 0 5s\nread 3.8 0.4 1.5s\nadd 0002\nread 3.8 0.4 10m ripple=0.05")
			}
			only(t, s, quietly...)
			if m := s.mode(); m != bench.Recovery {
				t.Errorf("shown as %s", m)
			}
		})
	}
}

// ahead is what a snapshot says now.
func (s *story) ahead() *bench.Snapshot {
	var v bench.Snapshot
	s.e.View(s.now, &v)
	return &v
}

// mode is the last that was told.
func (s *story) mode() bench.Mode {
	m := bench.Unknown
	for _, e := range s.events {
		if e.Type == bench.ModeChanged {
			m = e.Data.To
		}
	}
	return m
}
