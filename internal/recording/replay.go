package recording

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"time"

	"benchvigil/internal/bench"
)

// Survey reads all of r and says how each station in it is wired: as the
// header says, and where it is silent, a station with readings of its own is
// fed by a supply and one without by a battery, and a port is watched where anything
// was seen on one, or might have been beside a supply. Where the recording becomes unreadable it returns what was
// learnt so far, with the error. A station that begins anew later counts as it
// was wired first.
func Survey(d *Reader) (map[string]bench.Hookup, error) {
	power, port, said := map[string]bool{}, map[string]bool{}, map[string]Stations{}
	var failed error
	for {
		o, err := d.Next()
		if err != nil {
			failed = err
			break
		}
		if _, met := power[o.Station]; !met {
			power[o.Station], said[o.Station] = false, d.header.Stations[o.Station]
		}
		switch f := o.Fact.(type) {
		case bench.Power:
			power[o.Station] = power[o.Station] || f.Channel == "" || f.Channel == bench.ChannelMain
		case bench.USB, bench.Traffic:
			port[o.Station] = true
		}
	}
	out := map[string]bench.Hookup{}
	for id, readings := range power {
		out[id] = wired(said[id], readings, port[id])
	}
	if errors.Is(failed, io.EOF) {
		failed = nil
	}
	return out, failed
}

func wired(s Stations, readings, port bool) bench.Hookup {
	h := bench.Hookup{Path: s.Power, VBUS: s.VBUS}
	switch {
	case h.Path != "":
	case readings:
		h.Path = bench.FromSupply
	default:
		h.Path = bench.FromBattery
	}
	// A board that never comes up on USB leaves no line about its port.
	h.USB = port || h.Path == bench.FromSupply
	if s.USB != nil {
		h.USB = *s.USB
	}
	return h
}

// Engine is what a replay drives: infer's Engine.
type Engine interface {
	Step(bench.Observation) []bench.Event
	Tick(time.Time) []bench.Event
	Finish() []bench.Event
}

// Over says how a station is wired that was wired so before, where a later
// header mentions it.
func (s Stations) Over(before bench.Hookup) bench.Hookup {
	if s == (Stations{}) {
		return before
	}
	return wired(s, before.Path == bench.FromSupply, before.USB)
}

// Replay gives every observation to the engine of its station and tells the
// events in the order in which they became certain. Stations without an engine
// are passed over. A station that goes on after its end began anew, as what
// the header says of it by then: anew makes its engine; but one whose watch is
// taken up again, after a gap, goes on. At the end time has
// passed until the last observation for all that have not ended before.
func Replay(d *Reader, engines map[string]Engine, anew func(id string, s Stations) Engine, tell func(bench.Event) error) error {
	now := maps.Clone(engines)
	ended := map[string]bool{}
	var last time.Time
	for {
		o, err := d.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		last = o.At
		if now[o.Station] == nil {
			continue
		}
		c, isClock := o.Fact.(bench.Clock)
		if ended[o.Station] && !(isClock && c.Gap > 0) {
			now[o.Station] = anew(o.Station, d.header.Stations[o.Station])
		}
		ended[o.Station] = isClock && c.End
		if err := tellAll(now[o.Station].Step(o), tell); err != nil {
			return err
		}
	}
	for _, id := range slices.Sorted(maps.Keys(now)) {
		if ended[id] {
			continue
		}
		if err := errors.Join(tellAll(now[id].Tick(last), tell), tellAll(now[id].Finish(), tell)); err != nil {
			return err
		}
	}
	return nil
}

func tellAll(events []bench.Event, tell func(bench.Event) error) error {
	for _, ev := range events {
		if err := tell(ev); err != nil {
			return fmt.Errorf("tell %s of station %q: %w", ev.Type, ev.Station, err)
		}
	}
	return nil
}
