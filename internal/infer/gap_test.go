package infer_test

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/unit"
)

// withGaps draws a life in which now and then nobody watched. Devices have
// numbers, most of the time.
func withGaps(t *rapid.T) []bench.Observation {
	var out []bench.Observation
	var by time.Duration
	number := 1
	for _, o := range genObservations(t) {
		if rapid.IntRange(0, 9).Draw(t, "gap here") == 0 {
			gap := time.Duration(rapid.SampledFrom([]int{1, 70, 900, 4_000, 30_000, 400_000, 90_000_000}).Draw(t, "gap")) * time.Millisecond
			by += gap
			out = append(out, bench.Observation{At: o.At.Add(by), Station: "s1", Fact: bench.Clock{Gap: gap, Rebooted: rapid.Bool().Draw(t, "rebooted")}})
		}
		o.At = o.At.Add(by)
		if u, ok := o.Fact.(bench.USB); ok && u.Change == bench.USBAdd {
			number += rapid.IntRange(0, 1).Draw(t, "another")
			u.Number = number * rapid.IntRange(0, 1).Draw(t, "numbered")
			o.Fact = u
		}
		out = append(out, o)
	}
	return out
}

func TestResumeAnywhereWithGaps(t *testing.T) { resumesAnywhere(t, withGaps) }

// What is told of a time before has happened by then, no uptime is negative, and
// no event has the ID of another.
func TestGapsMakeNoNegativeTimes(t *testing.T) {
	p := handset(t)
	rapid.Check(t, func(t *rapid.T) {
		seen := map[string]bool{}
		for _, ev := range runAll(infer.New(p, genStation(t)), withGaps(t)) {
			if u, ok := ev.Data.Uptime.Get(); ok && u < 0 || ev.Time.After(ev.Concluded) || seen[ev.ID()] {
				t.Fatalf("%+v", ev)
			}
			seen[ev.ID()] = true
		}
	})
}

// A watch that was left at any moment, as a killed one is, after ticks that no
// recording has, and is taken up again from an older state and the observations
// since, gives what a replay of all observations gives.
func TestTakenUpEqualsReplay(t *testing.T) {
	p := handset(t)
	rapid.Check(t, func(t *rapid.T) {
		st, obs := genStation(t), genObservations(t)
		cut := rapid.IntRange(1, len(obs)).Draw(t, "cut")
		saved := rapid.IntRange(0, cut).Draw(t, "saved")
		before, after := obs[:cut], obs[cut:]
		live := infer.New(p, st)
		events := runAll(live, before[:saved])
		state := live.State()
		events = append(events, runAll(live, before[saved:])...)
		left := before[cut-1].At.Add(time.Duration(rapid.IntRange(0, 10_000).Draw(t, "ticks")) * time.Millisecond)
		events = append(events, live.Tick(left)...) // told, and then it was killed

		taken := infer.Resume(p, st, state)
		again := runAll(taken, before[saved:])
		if n := len(events); n > 0 {
			again = append(again, taken.Tick(events[n-1].Concluded.Add(time.Millisecond))...)
		}
		again = append(again, taken.Finish()...)
		events = merged(t, events, again)
		at := left.Add(time.Duration(rapid.IntRange(1, 200_000).Draw(t, "away")) * time.Millisecond)
		gap := bench.Observation{At: at, Station: "s1", Fact: bench.Clock{Gap: at.Sub(taken.Now()), Rebooted: rapid.Bool().Draw(t, "rebooted")}}
		rest := []bench.Observation{gap}
		for _, o := range after {
			o.At = o.At.Add(at.Sub(before[cut-1].At))
			rest = append(rest, o)
		}
		events = append(events, runAll(taken, rest)...)
		want := runAll(infer.New(p, st), slices.Concat(before, rest))
		if diff := cmp.Diff(want, events, maybes, cmpopts.EquateEmpty()); diff != "" {
			t.Fatalf("cut at %d, saved at %d (-replayed +live):\n%s", cut, saved, diff)
		}
	})
}

// merged adds what was drawn again to what was told before, as a ledger does,
// which must have it in the same words.
func merged(t *rapid.T, told, again []bench.Event) []bench.Event {
	for _, ev := range again {
		i := slices.IndexFunc(told, func(o bench.Event) bool { return o.ID() == ev.ID() })
		if i < 0 {
			told = append(told, ev)
			continue
		}
		if diff := cmp.Diff(told[i], ev, maybes); diff != "" {
			t.Fatalf("told before and drawn again (-before +again):\n%s", diff)
		}
	}
	return told
}

// A gap in a steady life, with the same to be seen around it, concludes nothing
// by itself: no drop, no stall, no hang, no lost source, and no goal fails.
func TestAGapConcludesNothing(t *testing.T) {
	p := handset(t)
	rapid.Check(t, func(t *rapid.T) {
		st := genStation(t)
		obs := genObservations(t)
		e := infer.New(p, st)
		runAll(e, obs[:len(obs)-1]) // whatever was before
		s := steady{now: e.Now().Add(time.Second), on: rapid.Bool().Draw(t, "on the bus"), readings: st.Hookup.Path == bench.FromSupply}
		s.amps = unit.Current(rapid.SampledFrom([]int{15, 45, 200, 400, 900}).Draw(t, "mA")) * unit.Milliampere
		s.id = bench.USBID{Vendor: 0x1209, Product: uint16(rapid.IntRange(1, 5).Draw(t, "product"))}
		s.look()
		s.goOn(rapid.IntRange(5_000, 15_000).Draw(t, "before"))
		gap := time.Duration(rapid.SampledFrom([]int{1, 70, 900, 4_000, 30_000, 400_000, 90_000_000}).Draw(t, "gap")) * time.Millisecond
		runAll(e, s.take())
		running := e.State().Run
		s.now = s.now.Add(gap)
		from := s.now
		s.add(bench.Clock{Gap: gap, Rebooted: rapid.Bool().Draw(t, "rebooted")})
		s.look()
		s.goOn(rapid.IntRange(500, 3_000).Draw(t, "after"))
		for _, ev := range runAll(e, s.take()) {
			switch ev.Type {
			case bench.RunDropped, bench.RunStopped, bench.WindowMissed, bench.StallRaised, bench.StartHung, bench.SupplyLost, bench.USBLost:
				if ev.Concluded.Before(from) {
					continue // it waited for more, and was certain before
				}
				t.Fatalf("a gap from %v to %v, run %+v: %+v", from.Add(-gap), from, running, ev)
			}
		}
	})
}

// steady makes observations in which nothing changes.
type steady struct {
	now      time.Time
	on       bool
	readings bool
	amps     unit.Current
	id       bench.USBID
	out      []bench.Observation
}

func (s *steady) add(f bench.Fact) {
	s.out = append(s.out, bench.Observation{At: s.now, Station: "s1", Fact: f})
}

// look says what stands on the port.
func (s *steady) look() {
	if s.on {
		s.add(bench.USB{Change: bench.USBAdd, ID: s.id, Number: 7})
		return
	}
	s.add(bench.USB{Change: bench.USBRemove})
}

func (s *steady) goOn(millis int) {
	for end := s.now.Add(time.Duration(millis) * time.Millisecond); s.now.Before(end); s.now = s.now.Add(100 * time.Millisecond) {
		if s.readings {
			s.add(bench.Power{Volts: unit.Some(3800 * unit.Millivolt), Amps: unit.Some(s.amps)})
		}
	}
}

func (s *steady) take() []bench.Observation {
	out := s.out
	s.out = nil
	return out
}
