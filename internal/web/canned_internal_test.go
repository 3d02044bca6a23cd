package web

import (
	"fmt"
	"math"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Canned snapshots of invented boards: every state that a tile can show.

// night is the bench time of all canned snapshots.
var night = time.Date(2026, 3, 2, 2, 58, 12, 400e6, time.UTC)

func ago(d time.Duration) time.Time { return night.Add(-d) }

func event1(t bench.EventType, ago time.Duration, d bench.EventData) bench.Event {
	return bench.Event{Station: "s", Type: t, Time: night.Add(-ago), Concluded: night.Add(-ago), Count: 1, Data: d}
}

// running is a board on a supply, two minutes into its window.
func running() bench.Snapshot {
	return bench.Snapshot{
		Station: "s", Name: "Wren 7, water damage", Profile: "invented-handset", Port: "1-2", At: night,
		Hookup: bench.Hookup{Path: bench.FromSupply, USB: true},
		Mode:   bench.Running, Label: "running", ModeSince: ago(2 * time.Minute),
		Run:     &bench.RunView{Start: ago(143 * time.Second), Uptime: 143 * time.Second, Origin: ago(123 * time.Second)},
		Window:  210 * time.Second,
		Reading: bench.ReadingView{At: night, Volts: unit.Some(3801 * unit.Millivolt), Amps: unit.Some(412 * unit.Milliampere)},
		USB:     bench.USBView{Present: true, ID: bench.USBID{Vendor: 0x1209, Product: 4}, Serial: "WREN7-0042", Since: ago(120 * time.Second)},
		Recent: []bench.Event{
			event1(bench.ModeChanged, 123*time.Second, bench.EventData{From: bench.Starting, To: bench.Running, Why: []string{"1209:0004 on USB and 412 mA flows"}}),
			event1(bench.ModeChanged, 143*time.Second, bench.EventData{From: bench.Standby, To: bench.Starting}),
			event1(bench.RunStarted, 143*time.Second, bench.EventData{Why: []string{"602 mA flows"}}),
			event1(bench.ModeChanged, 150*time.Second, bench.EventData{From: bench.Off, To: bench.Standby}),
		},
		Shape:  shape(120, 0),
		Counts: bench.Counts{Readings: 9000},
	}
}

// shape is a board that was off, started and now draws what it needs. The last
// silent steps have no reading.
func shape(n, silent int) bench.Shape {
	s := bench.Shape{Step: 5 * time.Second, Until: night.Truncate(5 * time.Second)}
	for i := range n {
		amps := 0.38 + 0.06*math.Sin(float64(i)/3) + 0.05*math.Sin(float64(i)*1.7)
		switch {
		case i >= n-silent || i > 60 && i < 66:
			s.Amps = append(s.Amps, unit.Maybe[unit.Current]{})
			continue
		case i < 30:
			amps = 0
		case i < 36:
			amps = 0.008
		case i < 48:
			amps = 0.6 + 0.35*math.Abs(math.Sin(float64(i)))
		}
		s.Amps = append(s.Amps, unit.Some(unit.FromAmps(amps)))
	}
	return s
}

func changed(s bench.Snapshot, by ...func(*bench.Snapshot)) bench.Snapshot {
	run := *s.Run
	s.Run = &run
	for _, f := range by {
		f(&s)
	}
	return s
}

func noRun(s *bench.Snapshot) { s.Run = nil }

func in(m bench.Mode, label string, since time.Duration) func(*bench.Snapshot) {
	return func(s *bench.Snapshot) { s.Mode, s.Label, s.ModeSince = m, label, ago(since) }
}

func draws(amps unit.Current, volts unit.Voltage) func(*bench.Snapshot) {
	return func(s *bench.Snapshot) { s.Reading.Amps, s.Reading.Volts = unit.Some(amps), unit.Some(volts) }
}

func unplugged(s *bench.Snapshot) { s.USB = bench.USBView{} }

// upFor makes the run older; its window was met when it had lasted that long.
func upFor(d time.Duration) func(*bench.Snapshot) {
	return func(s *bench.Snapshot) {
		r := bench.RunView{Start: ago(d), Uptime: d, Origin: ago(d - 20*time.Second)}
		if d > s.Window+20*time.Second {
			r.WindowMet = r.Origin.Add(s.Window)
		}
		s.Run = &r
	}
}

func droppedBefore(since, after time.Duration, kind string) func(*bench.Snapshot) {
	return func(s *bench.Snapshot) {
		s.LastRun = &bench.RunView{Start: ago(since + after), Uptime: after, Origin: ago(since + after - 20*time.Second), End: ago(since), EndedAs: bench.RunDropped, Kind: kind}
		s.Counts.Drops += 5
		s.Recent = append([]bench.Event{
			event1(bench.WindowMissed, since, bench.EventData{Window: unit.Some(s.Window)}),
			event1(bench.RunDropped, since, bench.EventData{Kind: kind, Uptime: unit.Some(after), Why: []string{"0.00 mA for 0.2 s"}}),
		}, s.Recent...)
	}
}

func named(name string) func(*bench.Snapshot) { return func(s *bench.Snapshot) { s.Name = name } }

// canned is one snapshot of each state, by what it shows.
type canned struct {
	what string
	s    bench.Snapshot
}

func allStates() []canned {
	r := running()
	return []canned{
		{"running", r},
		{"dropped", changed(r, named("Finch 3, bent"), noRun, unplugged, in(bench.Off, "off", 8*time.Second), draws(0, 3801*unit.Millivolt), droppedBefore(8*time.Second, 183*time.Second, bench.Died))},
		{"restoring", changed(r, named("Left, port 3"), in(bench.Restoring, "restoring", 43*time.Minute), upFor(46*time.Minute), draws(unit.FromAmps(1.482), 3790*unit.Millivolt), func(s *bench.Snapshot) { s.Counts.Restarts = 2 })},
		{"stalled", changed(r, named("Martin 12, burnt"), in(bench.Restoring, "restoring", 63*time.Minute), upFor(70*time.Minute), func(s *bench.Snapshot) {
			s.Stalled, s.Counts.Stalls = ago(27*time.Minute+5*time.Second), 1
			s.Recent = append([]bench.Event{event1(bench.StallRaised, 25*time.Minute, bench.EventData{Why: []string{"nothing moved for 120.0 s", "the bus traffic stands at 18231 URBs"}})}, s.Recent...)
		})},
		{"supply lost", changed(r, named("Right, battery rig"), func(s *bench.Snapshot) {
			s.SupplyLost, s.SupplyError, s.Reading.At = ago(64*time.Second), "read tcp 192.0.2.10:5025: i/o timeout", ago(67*time.Second)
			s.Shape = shape(107, 0)
			s.Shape.Until = s.Shape.Until.Add(-65 * time.Second)
		})},
		{"window met", changed(r, named("Wren 9"), upFor(12*time.Minute))},
		{"up again", changed(r, named("Robin 2, no sensors"), droppedBefore(3*time.Minute, 181*time.Second, bench.Reset))},
		{"up again at once", changed(r, named("Robin 3"), droppedBefore(144400*time.Millisecond, 181*time.Second, bench.Died))},
		{"drop suspected", changed(r, named("Swift 1"), func(s *bench.Snapshot) { s.Run.Suspect = true }, draws(0, 3801*unit.Millivolt))},
		{"start hung", changed(r, named("Heron 4"), in(bench.Starting, "starting", 4*time.Minute+2*time.Second), unplugged, func(s *bench.Snapshot) {
			s.StartHung, s.Run = true, &bench.RunView{Start: ago(4 * time.Minute), Uptime: 4 * time.Minute}
		})},
		{"starting", changed(r, named("Heron 5"), in(bench.Starting, "starting", 9*time.Second), unplugged, func(s *bench.Snapshot) {
			s.Run, s.Shape = &bench.RunView{Start: ago(9 * time.Second), Uptime: 9 * time.Second}, shape(40, 0)
		})},
		{"battery", changed(r, named("Battery board"), func(s *bench.Snapshot) {
			s.Hookup.Path, s.Reading, s.Shape = bench.FromBattery, bench.ReadingView{}, bench.Shape{}
			s.Run.Assumed = true
		})},
		{"USB lost", changed(r, named("Kestrel 8"), func(s *bench.Snapshot) {
			s.USBLost, s.USBError = ago(31*time.Second), "read the USB tree: permission denied"
		})},
		{"loader", changed(r, named("Wren 11"), in(bench.Loader, "DFU", 70*time.Second), draws(unit.FromAmps(0.0991), 3801*unit.Millivolt))},
		{"off", changed(r, named("Bench end"), noRun, unplugged, in(bench.Off, "off", 3*time.Hour), draws(0, 3801*unit.Millivolt), func(s *bench.Snapshot) { s.Recent = nil })},
		{"stopped", changed(r, named("Wren 6"), noRun, unplugged, in(bench.Off, "off", 40*time.Minute), draws(0, 0), func(s *bench.Snapshot) {
			s.LastRun = &bench.RunView{Start: ago(2 * time.Hour), Uptime: 80 * time.Minute, End: ago(40 * time.Minute), EndedAs: bench.RunStopped, Kind: bench.StoppedByMark}
			s.Recent = []bench.Event{event1(bench.RunStopped, 40*time.Minute, bench.EventData{Kind: bench.StoppedByMark, By: "ines", Uptime: unit.Some(80 * time.Minute)})}
		})},
		{"standby", changed(r, named("Finch 5"), noRun, unplugged, in(bench.Standby, "standby", 12*time.Second), draws(8200*unit.Microampere, 3801*unit.Millivolt))},
		{"not heard yet", bench.Snapshot{Station: "s", Name: "Just configured", Port: "1-3.4", At: night, Window: 210 * time.Second, Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}}},
		{"re-pairing", changed(r, named("Owl 2"), in(bench.RePairing, "re-pairing", 14*time.Minute), unplugged, upFor(16*time.Minute), func(s *bench.Snapshot) {
			s.SupplyError = `-113,"Undefined header"`
			s.Counts.BadReadings, s.QueueDropped = 3, 12
		})},
		{"no port", changed(r, named("Supply only"), func(s *bench.Snapshot) { s.Hookup.USB, s.Port, s.USB = false, "", bench.USBView{} })},
		{"asleep, dropped once", changed(r, named("Owl 3"), in(bench.Asleep, "asleep", 50*time.Minute), draws(unit.FromAmps(0.0123), 3801*unit.Millivolt), upFor(9*time.Hour), droppedBefore(10*time.Hour+30*time.Second, 44*time.Second, bench.BrownOut))},
		{"hands on", changed(r, named("Plover 4"), func(s *bench.Snapshot) {
			s.HandsOn = night.Add(6*time.Minute + 48*time.Second)
			s.Screen = bench.ScreenView{Screen: bench.ScreenLock, At: ago(32 * time.Second), By: "kim"}
			s.Temperature = bench.TemperatureView{At: ago(time.Second), Celsius: 31_400}
		})},
		{"fed by the bus too", changed(r, named("Plover 5, by cable"), draws(0, 0), func(s *bench.Snapshot) {
			s.Hookup.VBUS = true
			s.VBUS = bench.ReadingView{At: night, Volts: unit.Some(5020 * unit.Millivolt), Amps: unit.Some(480 * unit.Milliampere)}
			s.Temperature = bench.TemperatureView{At: ago(5 * time.Minute), Celsius: 28_000}
		})},
		{"stopped, not off yet", changed(r, named("Wren 8"), noRun, func(s *bench.Snapshot) {
			s.Waiting = true
			s.LastRun = &bench.RunView{Start: ago(2 * time.Minute), Uptime: 110 * time.Second, End: ago(10 * time.Second), EndedAs: bench.RunStopped, Kind: bench.StoppedByMark}
		})},
		{"goal armed", changed(r, named("Heron 6"), in(bench.Restoring, "restoring", 43*time.Minute), upFor(46*time.Minute), func(s *bench.Snapshot) {
			s.Watch = &bench.WatchView{
				Goal: bench.Goal{Kind: bench.GoalReach, Mode: bench.Running, Within: 3 * time.Hour}, By: bench.Automatic,
				Armed: ago(43 * time.Minute), From: ago(43 * time.Minute), Takes: 3 * time.Hour,
			}
		})},
		{"copy armed", changed(r, named("Heron 7"), upFor(46*time.Minute), func(s *bench.Snapshot) {
			s.Watch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalCopy}, By: "kim", Armed: ago(20 * time.Minute), From: ago(20 * time.Minute)}
		})},
		{"armed before power", changed(r, named("Heron 8"), noRun, unplugged, in(bench.Off, "off", time.Hour), draws(0, 3801*unit.Millivolt), func(s *bench.Snapshot) {
			s.Watch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalStay, For: 3 * time.Hour}, By: "kim", Armed: ago(2 * time.Minute), Takes: 3 * time.Hour}
		})},
		{"goal done", changed(r, named("Heron 9"), upFor(9*time.Hour), func(s *bench.Snapshot) {
			s.LastWatch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalStay, For: 8 * time.Hour}, Armed: ago(8 * time.Hour), Ended: ago(time.Minute), EndedAs: bench.WatchDone}
			s.Recent = append([]bench.Event{event1(bench.WatchDone, time.Minute, bench.EventData{Goal: "stay 8h", Why: []string{"up for 8 h 0 min, 8 h 0 min were wanted"}})}, s.Recent...)
		})},
		{"goal missed", changed(r, named("Heron 10"), upFor(9*time.Hour), func(s *bench.Snapshot) {
			s.LastWatch = &bench.WatchView{
				Goal: bench.Goal{Kind: bench.GoalReach, Mode: bench.Running, Within: 2 * time.Hour}, Ended: ago(time.Minute),
				EndedAs: bench.WatchFailed, Kind: bench.WatchLate, Why: "not running within 2 h 0 min",
			}
		})},
		{"goal ended", changed(r, named("Heron 11"), func(s *bench.Snapshot) {
			s.LastWatch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalCopy}, Ended: ago(time.Minute), EndedAs: bench.WatchFailed, Kind: bench.WatchStopped, Why: "kim marked a stop"}
		})},
		{"goal forgotten", changed(r, named("Heron 12"), func(s *bench.Snapshot) {
			s.Forgotten = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalReach, Mode: bench.Running, Within: 2 * time.Hour}, By: "kim", Armed: ago(time.Hour)}
		})},
		{"will it last", changed(r, named("Robin 4"), func(s *bench.Snapshot) {
			s.Odds = &bench.OddsView{Lasted: 3, Of: 5, Share: 0.6, Low: 0.189, High: 0.924}
		})},
		{"a timer", changed(r, named("Robin 5"), droppedBefore(2*time.Minute, 181*time.Second, bench.Reset), func(s *bench.Snapshot) {
			s.Odds = &bench.OddsView{Of: 3, High: 0.63, Regular: 180 * time.Second}
		})},
		{"time still needed", changed(r, named("Robin 6"), in(bench.Restoring, "restoring", 43*time.Minute), upFor(46*time.Minute), func(s *bench.Snapshot) {
			s.Needs = &bench.NeedsView{Mode: bench.Restoring, Of: 12, Median: unit.Some(6 * time.Minute), Most: unit.Some(25 * time.Minute)}
		})},
		{"leak", changed(r, named("Robin 7"), noRun, unplugged, in(bench.Standby, "standby", 2*time.Minute), draws(26*unit.Milliampere, 3801*unit.Millivolt), func(s *bench.Snapshot) {
			s.Current = bench.CurrentView{High: ago(100 * time.Second), HighKind: bench.Leak}
			s.Recent = append([]bench.Event{event1(bench.CurrentHigh, 40*time.Second, bench.EventData{Kind: bench.Leak, Why: []string{"26.00 mA flows in standby for 60 s, its band ends at 30.00 mA"}})}, s.Recent...)
		})},
		{"current wrong in three ways", changed(r, named("Robin 8"), draws(unit.FromAmps(1.512), 3002*unit.Millivolt), func(s *bench.Snapshot) {
			s.Current = bench.CurrentView{High: ago(9 * time.Second), HighKind: bench.OverLimit, Drifting: ago(time.Minute), Collapsed: ago(4 * time.Second)}
			s.Recent = append([]bench.Event{
				event1(bench.CurrentCollapsed, 4*time.Second, bench.EventData{Why: []string{"the supply sits at its limit of 1.500 A"}}),
				event1(bench.CurrentHigh, 9*time.Second, bench.EventData{Kind: bench.OverLimit, Why: []string{"1.512 A flows for 3 s, the limit in running is 1.200 A"}}),
				event1(bench.CurrentDrifting, time.Minute, bench.EventData{Why: []string{"501 mA flows, its own level in recovery was 402 mA"}}),
			}, s.Recent...)
		})},
		{"cable out", changed(r, named("Crane 2"), unplugged, func(s *bench.Snapshot) { s.USB.Gone, s.USB.Overdue = ago(40*time.Second), true })},
		{"led by marks", changed(r, named("Crane 1, battery"), unplugged, func(s *bench.Snapshot) {
			s.Hookup, s.Port, s.Reading, s.Shape = bench.Hookup{Path: bench.FromBattery}, "", bench.ReadingView{}, bench.Shape{}
			s.Screen = bench.ScreenView{Screen: bench.ScreenRepair, At: ago(2 * time.Minute)}
		})},
		{"window over, not proven", changed(r, named("Swift 2"), func(s *bench.Snapshot) {
			s.Run = &bench.RunView{Start: ago(231 * time.Second), Uptime: 231 * time.Second, Origin: ago(211 * time.Second)}
			s.USBLost, s.SupplyLost, s.Reading.At = ago(time.Minute), ago(time.Minute), ago(time.Minute)
		})},
	}
}

// someStations are n stations in all states, over and over.
func someStations(n int) []bench.Snapshot {
	states := allStates()
	out := make([]bench.Snapshot, n)
	for i := range out {
		out[i] = states[i%len(states)].s
		out[i].Station = fmt.Sprintf("s-%d", i+1)
	}
	return out
}
