// Package states holds canned data: invented boards in every state that a page
// can show, and alerts in every state in which one can be. The page for review
// and the tests of the pages share it. It must not know how anything is shown.
package states

import (
	"fmt"
	"math"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Night is the bench time of all canned snapshots.
var Night = time.Date(2026, 3, 2, 2, 58, 12, 400e6, time.UTC)

// Ago is a moment before Night.
func Ago(d time.Duration) time.Time { return Night.Add(-d) }

// Event is one that happened so long before Night.
func Event(t bench.EventType, before time.Duration, d bench.EventData) bench.Event {
	return bench.Event{Station: "s", Type: t, Time: Ago(before), Concluded: Ago(before), Count: 1, Data: d}
}

// Running is a board on a supply, two minutes into its window.
func Running() bench.Snapshot {
	return bench.Snapshot{
		Station: "s", Name: "Wren 7, water damage", Profile: "invented-handset", Port: "1-2", At: Night,
		Hookup: bench.Hookup{Path: bench.FromSupply, USB: true},
		Mode:   bench.Running, Label: "running", ModeSince: Ago(2 * time.Minute),
		Run:     &bench.RunView{Start: Ago(143 * time.Second), Uptime: 143 * time.Second, Origin: Ago(123 * time.Second)},
		Window:  210 * time.Second,
		Reading: bench.ReadingView{At: Night, Volts: unit.Some(3801 * unit.Millivolt), Amps: unit.Some(412 * unit.Milliampere)},
		USB:     bench.USBView{Present: true, ID: bench.USBID{Vendor: 0x1209, Product: 4}, Serial: "WREN7-0042", Since: Ago(120 * time.Second)},
		Recent: []bench.Event{
			Event(bench.ModeChanged, 123*time.Second, bench.EventData{From: bench.Starting, To: bench.Running, Why: []string{"1209:0004 on USB and 412 mA flows"}}),
			Event(bench.ModeChanged, 143*time.Second, bench.EventData{From: bench.Standby, To: bench.Starting}),
			Event(bench.RunStarted, 143*time.Second, bench.EventData{Why: []string{"602 mA flows"}}),
			Event(bench.ModeChanged, 150*time.Second, bench.EventData{From: bench.Off, To: bench.Standby}),
		},
		Shape:  shape(120, 0),
		Counts: bench.Counts{Readings: 9000},
	}
}

// shape is a board that was off, started and now draws what it needs. The last
// silent steps have no reading.
func shape(n, silent int) bench.Shape {
	s := bench.Shape{Step: 5 * time.Second, Until: Night.Truncate(5 * time.Second)}
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

// Changed is a snapshot with something else about it; it needs a run.
func Changed(s bench.Snapshot, by ...func(*bench.Snapshot)) bench.Snapshot {
	run := *s.Run
	s.Run = &run
	for _, f := range by {
		f(&s)
	}
	return s
}

// NoRun takes the run away.
func NoRun(s *bench.Snapshot) { s.Run = nil }

// In is a board in another mode.
func In(m bench.Mode, label string, since time.Duration) func(*bench.Snapshot) {
	return func(s *bench.Snapshot) { s.Mode, s.Label, s.ModeSince = m, label, Ago(since) }
}

// Draws is another reading of the supply.
func Draws(amps unit.Current, volts unit.Voltage) func(*bench.Snapshot) {
	return func(s *bench.Snapshot) { s.Reading.Amps, s.Reading.Volts = unit.Some(amps), unit.Some(volts) }
}

// Unplugged takes the device off the port.
func Unplugged(s *bench.Snapshot) { s.USB = bench.USBView{} }

// UpFor makes the run older; its window was met when it had lasted that long.
func UpFor(d time.Duration) func(*bench.Snapshot) {
	return func(s *bench.Snapshot) {
		r := bench.RunView{Start: Ago(d), Uptime: d, Origin: Ago(d - 20*time.Second)}
		if d > s.Window+20*time.Second {
			r.WindowMet = r.Origin.Add(s.Window)
		}
		s.Run = &r
	}
}

// DroppedBefore is a run before that dropped, so long ago, after so long.
func DroppedBefore(since, after time.Duration, kind string) func(*bench.Snapshot) {
	return func(s *bench.Snapshot) {
		s.LastRun = &bench.RunView{Start: Ago(since + after), Uptime: after, Origin: Ago(since + after - 20*time.Second), End: Ago(since), EndedAs: bench.RunDropped, Kind: kind}
		s.Counts.Drops += 5
		s.Recent = append([]bench.Event{
			Event(bench.WindowMissed, since, bench.EventData{Window: unit.Some(s.Window)}),
			Event(bench.RunDropped, since, bench.EventData{Kind: kind, Uptime: unit.Some(after), Why: []string{"0.00 mA for 0.2 s"}}),
		}, s.Recent...)
	}
}

// Named gives another name.
func Named(name string) func(*bench.Snapshot) { return func(s *bench.Snapshot) { s.Name = name } }

// State is one snapshot, by what it shows.
type State struct {
	What     string
	Snapshot bench.Snapshot
	Still    bool // nothing comes from it any more
}

// States are all that a station can be in.
func States() []State {
	r := Running()
	return []State{
		{What: "running", Snapshot: r},
		{What: "dropped", Snapshot: Changed(r, Named("Finch 3, bent"), NoRun, Unplugged, In(bench.Off, "off", 8*time.Second), Draws(0, 3801*unit.Millivolt), DroppedBefore(8*time.Second, 183*time.Second, bench.Died))},
		{What: "restoring", Snapshot: Changed(r, Named("Left, port 3"), In(bench.Restoring, "restoring", 43*time.Minute), UpFor(46*time.Minute), Draws(unit.FromAmps(1.482), 3790*unit.Millivolt), func(s *bench.Snapshot) { s.Counts.Restarts = 2 })},
		{What: "stalled", Snapshot: Changed(r, Named("Martin 12, burnt"), In(bench.Restoring, "restoring", 63*time.Minute), UpFor(70*time.Minute), func(s *bench.Snapshot) {
			s.Stalled, s.Counts.Stalls = Ago(27*time.Minute+5*time.Second), 1
			s.Recent = append([]bench.Event{Event(bench.StallRaised, 25*time.Minute, bench.EventData{Why: []string{"nothing moved for 120.0 s", "the bus traffic stands at 18231 URBs"}})}, s.Recent...)
		})},
		{What: "supply lost", Snapshot: Changed(r, Named("Right, battery rig"), func(s *bench.Snapshot) {
			s.SupplyLost, s.SupplyError, s.Reading.At = Ago(64*time.Second), "read tcp 192.0.2.10:5025: i/o timeout", Ago(67*time.Second)
			s.Shape = shape(107, 0)
			s.Shape.Until = s.Shape.Until.Add(-65 * time.Second)
		})},
		{What: "window met", Snapshot: Changed(r, Named("Wren 9"), UpFor(12*time.Minute))},
		{What: "up again", Snapshot: Changed(r, Named("Robin 2, no sensors"), DroppedBefore(3*time.Minute, 181*time.Second, bench.Reset))},
		{What: "up again at once", Snapshot: Changed(r, Named("Robin 3"), DroppedBefore(144400*time.Millisecond, 181*time.Second, bench.Died))},
		{What: "drop suspected", Snapshot: Changed(r, Named("Swift 1"), func(s *bench.Snapshot) { s.Run.Suspect = true }, Draws(0, 3801*unit.Millivolt))},
		{What: "start hung", Snapshot: Changed(r, Named("Heron 4"), In(bench.Starting, "starting", 4*time.Minute+2*time.Second), Unplugged, func(s *bench.Snapshot) {
			s.StartHung, s.Run = true, &bench.RunView{Start: Ago(4 * time.Minute), Uptime: 4 * time.Minute}
		})},
		{What: "starting", Snapshot: Changed(r, Named("Heron 5"), In(bench.Starting, "starting", 9*time.Second), Unplugged, func(s *bench.Snapshot) {
			s.Run, s.Shape = &bench.RunView{Start: Ago(9 * time.Second), Uptime: 9 * time.Second}, shape(40, 0)
		})},
		{What: "battery", Snapshot: Changed(r, Named("Battery board"), func(s *bench.Snapshot) {
			s.Hookup.Path, s.Reading, s.Shape = bench.FromBattery, bench.ReadingView{}, bench.Shape{}
			s.Run.Assumed = true
		})},
		{What: "USB lost", Snapshot: Changed(r, Named("Kestrel 8"), func(s *bench.Snapshot) {
			s.USBLost, s.USBError = Ago(31*time.Second), "read the USB tree: permission denied"
		})},
		{What: "loader", Snapshot: Changed(r, Named("Wren 11"), In(bench.Loader, "DFU", 70*time.Second), Draws(unit.FromAmps(0.0991), 3801*unit.Millivolt))},
		{What: "off", Snapshot: Changed(r, Named("Bench end"), NoRun, Unplugged, In(bench.Off, "off", 3*time.Hour), Draws(0, 3801*unit.Millivolt), func(s *bench.Snapshot) { s.Recent = nil })},
		{What: "stopped", Snapshot: Changed(r, Named("Wren 6"), NoRun, Unplugged, In(bench.Off, "off", 40*time.Minute), Draws(0, 0), func(s *bench.Snapshot) {
			s.LastRun = &bench.RunView{Start: Ago(2 * time.Hour), Uptime: 80 * time.Minute, End: Ago(40 * time.Minute), EndedAs: bench.RunStopped, Kind: bench.StoppedByMark}
			s.Recent = []bench.Event{Event(bench.RunStopped, 40*time.Minute, bench.EventData{Kind: bench.StoppedByMark, By: "ines", Uptime: unit.Some(80 * time.Minute)})}
		})},
		{What: "standby", Snapshot: Changed(r, Named("Finch 5"), NoRun, Unplugged, In(bench.Standby, "standby", 12*time.Second), Draws(8200*unit.Microampere, 3801*unit.Millivolt))},
		{What: "not heard yet", Snapshot: bench.Snapshot{Station: "s", Name: "Just configured", Port: "1-3.4", At: Night, Window: 210 * time.Second, Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}}},
		{What: "re-pairing", Snapshot: Changed(r, Named("Owl 2"), In(bench.RePairing, "re-pairing", 14*time.Minute), Unplugged, UpFor(16*time.Minute), func(s *bench.Snapshot) {
			s.SupplyError = `-113,"Undefined header"`
			s.Counts.BadReadings, s.QueueDropped = 3, 12
		})},
		{What: "no port", Snapshot: Changed(r, Named("Supply only"), func(s *bench.Snapshot) { s.Hookup.USB, s.Port, s.USB = false, "", bench.USBView{} })},
		{What: "asleep, dropped once", Snapshot: Changed(r, Named("Owl 3"), In(bench.Asleep, "asleep", 50*time.Minute), Draws(unit.FromAmps(0.0123), 3801*unit.Millivolt), UpFor(9*time.Hour), DroppedBefore(10*time.Hour+30*time.Second, 44*time.Second, bench.BrownOut))},
		{What: "hands on", Snapshot: Changed(r, Named("Plover 4"), func(s *bench.Snapshot) {
			s.HandsOn = Night.Add(6*time.Minute + 48*time.Second)
			s.Screen = bench.ScreenView{Screen: bench.ScreenLock, At: Ago(32 * time.Second), By: "kim"}
			s.Temperature = bench.TemperatureView{At: Ago(time.Second), Celsius: 31_400}
		})},
		{What: "fed by the bus too", Snapshot: Changed(r, Named("Plover 5, by cable"), Draws(0, 0), func(s *bench.Snapshot) {
			s.Hookup.VBUS = true
			s.VBUS = bench.ReadingView{At: Night, Volts: unit.Some(5020 * unit.Millivolt), Amps: unit.Some(480 * unit.Milliampere)}
			s.Temperature = bench.TemperatureView{At: Ago(5 * time.Minute), Celsius: 28_000}
		})},
		{What: "stopped, not off yet", Snapshot: Changed(r, Named("Wren 8"), NoRun, func(s *bench.Snapshot) {
			s.Waiting = true
			s.LastRun = &bench.RunView{Start: Ago(2 * time.Minute), Uptime: 110 * time.Second, End: Ago(10 * time.Second), EndedAs: bench.RunStopped, Kind: bench.StoppedByMark}
		})},
		{What: "goal armed", Snapshot: Changed(r, Named("Heron 6"), In(bench.Restoring, "restoring", 43*time.Minute), UpFor(46*time.Minute), func(s *bench.Snapshot) {
			s.Watch = &bench.WatchView{
				Goal: bench.Goal{Kind: bench.GoalReach, Mode: bench.Running, Within: 3 * time.Hour}, By: bench.Automatic,
				Armed: Ago(43 * time.Minute), From: Ago(43 * time.Minute), Takes: 3 * time.Hour,
			}
		})},
		{What: "copy armed", Snapshot: Changed(r, Named("Heron 7"), UpFor(46*time.Minute), func(s *bench.Snapshot) {
			s.Watch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalCopy}, By: "kim", Armed: Ago(20 * time.Minute), From: Ago(20 * time.Minute)}
		})},
		{What: "armed before power", Snapshot: Changed(r, Named("Heron 8"), NoRun, Unplugged, In(bench.Off, "off", time.Hour), Draws(0, 3801*unit.Millivolt), func(s *bench.Snapshot) {
			s.Watch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalStay, For: 3 * time.Hour}, By: "kim", Armed: Ago(2 * time.Minute), Takes: 3 * time.Hour}
		})},
		{What: "goal done", Snapshot: Changed(r, Named("Heron 9"), UpFor(9*time.Hour), func(s *bench.Snapshot) {
			s.LastWatch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalStay, For: 8 * time.Hour}, Armed: Ago(8 * time.Hour), Ended: Ago(time.Minute), EndedAs: bench.WatchDone}
			s.Recent = append([]bench.Event{Event(bench.WatchDone, time.Minute, bench.EventData{Goal: "stay 8h", Why: []string{"up for 8 h 0 min, 8 h 0 min were wanted"}})}, s.Recent...)
		})},
		{What: "goal missed", Snapshot: Changed(r, Named("Heron 10"), UpFor(9*time.Hour), func(s *bench.Snapshot) {
			s.LastWatch = &bench.WatchView{
				Goal: bench.Goal{Kind: bench.GoalReach, Mode: bench.Running, Within: 2 * time.Hour}, Ended: Ago(time.Minute),
				EndedAs: bench.WatchFailed, Kind: bench.WatchLate, Why: "not running within 2 h 0 min",
			}
		})},
		{What: "goal ended", Snapshot: Changed(r, Named("Heron 11"), func(s *bench.Snapshot) {
			s.LastWatch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalCopy}, Ended: Ago(time.Minute), EndedAs: bench.WatchFailed, Kind: bench.WatchStopped, Why: "kim marked a stop"}
		})},
		{What: "goal forgotten", Snapshot: Changed(r, Named("Heron 12"), func(s *bench.Snapshot) {
			s.Forgotten = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalReach, Mode: bench.Running, Within: 2 * time.Hour}, By: "kim", Armed: Ago(time.Hour)}
		})},
		{What: "will it last", Snapshot: Changed(r, Named("Robin 4"), func(s *bench.Snapshot) {
			s.Odds = &bench.OddsView{Lasted: 3, Of: 5, Share: 0.6, Low: 0.189, High: 0.924}
		})},
		{What: "a timer", Snapshot: Changed(r, Named("Robin 5"), DroppedBefore(2*time.Minute, 181*time.Second, bench.Reset), func(s *bench.Snapshot) {
			s.Odds = &bench.OddsView{Of: 3, High: 0.63, Regular: 180 * time.Second}
		})},
		{What: "time still needed", Snapshot: Changed(r, Named("Robin 6"), In(bench.Restoring, "restoring", 43*time.Minute), UpFor(46*time.Minute), func(s *bench.Snapshot) {
			s.Needs = &bench.NeedsView{Mode: bench.Restoring, Of: 12, Median: unit.Some(6 * time.Minute), Most: unit.Some(25 * time.Minute)}
		})},
		{What: "leak", Snapshot: Changed(r, Named("Robin 7"), NoRun, Unplugged, In(bench.Standby, "standby", 2*time.Minute), Draws(26*unit.Milliampere, 3801*unit.Millivolt), func(s *bench.Snapshot) {
			s.Current = bench.CurrentView{High: Ago(100 * time.Second), HighKind: bench.Leak}
			s.Recent = append([]bench.Event{Event(bench.CurrentHigh, 40*time.Second, bench.EventData{Kind: bench.Leak, Why: []string{"26.00 mA flows in standby for 60 s, its band ends at 30.00 mA"}})}, s.Recent...)
		})},
		{What: "current wrong in three ways", Snapshot: Changed(r, Named("Robin 8"), Draws(unit.FromAmps(1.512), 3002*unit.Millivolt), func(s *bench.Snapshot) {
			s.Current = bench.CurrentView{High: Ago(9 * time.Second), HighKind: bench.OverLimit, Drifting: Ago(time.Minute), Collapsed: Ago(4 * time.Second)}
			s.Recent = append([]bench.Event{
				Event(bench.CurrentCollapsed, 4*time.Second, bench.EventData{Why: []string{"the supply sits at its limit of 1.500 A"}}),
				Event(bench.CurrentHigh, 9*time.Second, bench.EventData{Kind: bench.OverLimit, Why: []string{"1.512 A flows for 3 s, the limit in running is 1.200 A"}}),
				Event(bench.CurrentDrifting, time.Minute, bench.EventData{Why: []string{"501 mA flows, its own level in recovery was 402 mA"}}),
			}, s.Recent...)
		})},
		{What: "cable out", Snapshot: Changed(r, Named("Crane 2"), Unplugged, func(s *bench.Snapshot) { s.USB.Gone, s.USB.Overdue = Ago(40*time.Second), true })},
		{What: "led by marks", Snapshot: Changed(r, Named("Crane 1, battery"), Unplugged, func(s *bench.Snapshot) {
			s.Hookup, s.Port, s.Reading, s.Shape = bench.Hookup{Path: bench.FromBattery}, "", bench.ReadingView{}, bench.Shape{}
			s.Screen = bench.ScreenView{Screen: bench.ScreenRepair, At: Ago(2 * time.Minute)}
		})},
		{What: "window over, not proven", Snapshot: Changed(r, Named("Swift 2"), func(s *bench.Snapshot) {
			s.Run = &bench.RunView{Start: Ago(231 * time.Second), Uptime: 231 * time.Second, Origin: Ago(211 * time.Second)}
			s.USBLost, s.SupplyLost, s.Reading.At = Ago(time.Minute), Ago(time.Minute), Ago(time.Minute)
		})},
		{What: "stopped, off not seen", Snapshot: Changed(r, Named("Wren 10"), NoRun, Unplugged, In(bench.Standby, "standby", time.Minute), Draws(0, 3801*unit.Millivolt), func(s *bench.Snapshot) {
			s.Waiting = true
			s.LastRun = &bench.RunView{Start: Ago(2 * time.Hour), Uptime: 80 * time.Minute, End: Ago(time.Minute), EndedAs: bench.RunStopped, Kind: bench.StoppedByMark}
		})},
		{What: "not watched for a while", Snapshot: Changed(r, Named("Tern 1"), UpFor(50*time.Minute), func(s *bench.Snapshot) {
			s.Run.SureFrom = Ago(10 * time.Minute)
			s.Gap = &bench.GapView{From: Ago(25 * time.Minute), To: Ago(10 * time.Minute), Judged: true, Why: "it runs under another device number"}
		})},
		{What: "recovery", Snapshot: Changed(r, Named("Tern 2"), In(bench.Recovery, "recovery", 90*time.Second), func(s *bench.Snapshot) { s.Case = "2417" })},
		{What: "mode not known", Snapshot: Changed(r, Named("Tern 3"), In(bench.Unknown, "", 20*time.Second), Unplugged)},
		{What: "long names", Snapshot: Changed(r, Named("Kingfisher 214, second data board, glass side without its frame, slot by the window"), In(bench.Restoring, "Firmware download (second stage)", 43*time.Minute), UpFor(46*time.Minute), func(s *bench.Snapshot) {
			s.Case = "2026-0311-07"
			s.USB.Serial = "A-VERY-LONG-SERIAL-NUMBER-0000000042"
			s.Watch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalReach, Mode: bench.Running, Within: 3 * time.Hour}, By: "maximiliane-from-the-night-shift", Armed: Ago(43 * time.Minute), From: Ago(43 * time.Minute), Takes: 3 * time.Hour}
		})},
		{What: "no news", Snapshot: Changed(r, Named("Tern 4")), Still: true},
	}
}

// Stations are n stations in all states, over and over.
func Stations(n int) []bench.Snapshot {
	states := States()
	out := make([]bench.Snapshot, n)
	for i := range out {
		out[i] = states[i%len(states)].Snapshot
		out[i].Station = fmt.Sprintf("s-%d", i+1)
	}
	return out
}

// Later is a snapshot after some time in which nothing happened.
func Later(s bench.Snapshot, by time.Duration) bench.Snapshot {
	if s.SupplyLost.IsZero() && !s.Reading.At.IsZero() {
		s.Reading.At = s.Reading.At.Add(by)
		s.Shape.Until = s.Shape.Until.Add(by)
	}
	for _, at := range []*time.Time{&s.At, &s.VBUS.At, &s.Temperature.At} {
		if !at.IsZero() {
			*at = at.Add(by)
		}
	}
	if s.Run != nil {
		r := *s.Run
		r.Uptime += by
		s.Run = &r
	}
	return s
}
