package web

import (
	"time"

	"benchvigil/internal/bench"
)

// What stands beside the run: people, what feeds the board besides its supply,
// and how warm it is.

// marksOnly reports a station that nothing watches: people say what it does.
func marksOnly(s *bench.Snapshot) bool {
	return s.Hookup.Path == bench.FromBattery && !s.Hookup.USB
}

func (t *Tile) showPeople(s *bench.Snapshot, c clock) {
	if !s.HandsOn.IsZero() {
		t.Hands, t.HandsLeft = c.at(s.HandsOn), span(s.HandsOn.Sub(s.At).Round(time.Second))
	}
	if v := s.Screen; !v.At.IsZero() && !before(v.At, s.Run) {
		t.Seen, t.SeenBy = string(v.Screen), c.at(v.At)
		if v.By != "" {
			t.SeenBy = v.By + ", " + t.SeenBy
		}
	}
}

// before reports a moment before the run that goes on: what was seen then says
// nothing of it.
func before(t time.Time, run *bench.RunView) bool { return run != nil && t.Before(run.Start) }

// showBus shows what comes over the USB cable, as far as a meter says.
func (t *Tile) showBus(s *bench.Snapshot) {
	v := s.VBUS
	switch {
	case !v.At.IsZero():
		t.Bus = "VBUS " + readingWords(v)
		if age := s.At.Sub(v.At); age > oldReading {
			t.Bus += ", read " + span(age) + " ago"
		}
	case s.Hookup.VBUS:
		t.Bus = "and VBUS, no meter"
	}
}

func (t *Tile) showTemperature(s *bench.Snapshot, c clock) {
	v := s.Temperature
	switch {
	case v.At.IsZero():
	case v.Fresh(s.At):
		t.Warmth = v.Celsius.String()
	default:
		t.Warmth = v.Celsius.String() + " at " + c.at(v.At)
	}
}

// wiring says what somebody must know of how the board is fed and followed.
func wiring(s *bench.Snapshot) (out []Trouble) {
	say := func(text string) { out = append(out, Trouble{Neutral, "", text}) }
	switch {
	case s.Hookup.VBUS && s.Hookup.Path == bench.FromBattery:
		say("USB bus power feeds this board beside its battery.")
	case s.Hookup.VBUS:
		say("Output off does not mean off: USB bus power feeds this board.")
	}
	if marksOnly(s) {
		say("Led by marks and the clock: there is neither a supply nor a USB port to watch.")
	}
	return out
}
