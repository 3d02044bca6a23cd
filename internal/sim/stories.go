package sim

import (
	"fmt"
	"slices"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// What the invented handset shows.
var (
	inRecovery  = bench.USBID{Vendor: 0x1209, Product: 0x0002}
	inRestoring = bench.USBID{Vendor: 0x1209, Product: 0x0003}
	inRunning   = bench.USBID{Vendor: 0x1209, Product: 0x0004}
)

var onSupply = bench.Hookup{Path: bench.FromSupply, USB: true}

// The stretches of which the stories are made.
func off(d time.Duration) Phase { return Phase{For: d} }

func standby(d time.Duration) Phase {
	return Phase{For: d, Amps: 8 * unit.Milliampere, Ripple: unit.Milliampere}
}

func starting(d time.Duration) Phase {
	return Phase{For: d, Amps: 600 * unit.Milliampere, Ripple: 350 * unit.Milliampere}
}

func recovery(d time.Duration) Phase {
	return Phase{For: d, Amps: 400 * unit.Milliampere, Ripple: 60 * unit.Milliampere, ID: inRecovery, URBs: 8}
}

func restoring(d time.Duration) Phase {
	return Phase{For: d, Amps: 850 * unit.Milliampere, Ripple: 400 * unit.Milliampere, ID: inRestoring, URBs: 300}
}

func frozen(d time.Duration) Phase {
	return Phase{For: d, Amps: 480 * unit.Milliampere, Ripple: 2 * unit.Milliampere, ID: inRestoring}
}

func away(d time.Duration) Phase {
	return Phase{For: d, Amps: 450 * unit.Milliampere, Ripple: 150 * unit.Milliampere}
}

func running(d time.Duration) Phase {
	return Phase{For: d, Amps: 350 * unit.Milliampere, Ripple: 90 * unit.Milliampere, ID: inRunning, URBs: 3}
}

func (p Phase) silent() Phase { p.Silent = true; return p }
func (p Phase) markedStop(by, text string) Phase {
	p.Mark = &bench.Mark{By: by, Kind: bench.MarkStop, Text: text}
	return p
}

// begun is how every supply story begins: off is seen, the board is powered
// and starts.
func begun(start time.Duration) []Expected {
	return []Expected{
		{Type: bench.ModeChanged, To: bench.Off},
		{Type: bench.RunStarted, At: start},
		{Type: bench.ModeChanged, At: start, To: bench.Starting},
	}
}

func mode(at time.Duration, to bench.Mode) Expected {
	return Expected{Type: bench.ModeChanged, At: at, To: to}
}

func event(at time.Duration, t bench.EventType) Expected { return Expected{Type: t, At: at} }

// dropped is the drop of a run that had not met its window.
func dropped(at time.Duration, kind string) []Expected {
	return []Expected{
		{Type: bench.RunDown, At: at},
		{Type: bench.RunDropped, At: at, Kind: kind},
		{Type: bench.WindowMissed, At: at, Kind: kind},
		mode(at, bench.Off),
	}
}

func join(parts ...[]Expected) (out []Expected) {
	for _, p := range parts {
		out = append(out, p...)
	}
	return out
}

// Scenarios returns all stories, in the order in which a demo shows them.
func Scenarios() []*Scenario {
	return []*Scenario{
		restoreCompletes(), fiveDrops(), windowMet(), restoreStalls(),
		batteryBoard(), silentSupply(), restoreDrops(), shortInterruption(),
	}
}

// ByName finds a story.
func ByName(name string) (*Scenario, error) {
	known := ""
	for _, s := range Scenarios() {
		if s.Name == name {
			return s, nil
		}
		known += " " + s.Name
	}
	return nil, fmt.Errorf("no scenario %q: there are%s", name, known)
}

const s = time.Second

func windowMet() *Scenario {
	return &Scenario{
		Name: "window-met", Title: "Wren 7, water damage", Hookup: onSupply,
		Story:  "A dried board starts and stays up for its whole window; Ines switches it off to go on with it.",
		Phases: []Phase{off(2 * s), standby(3 * s), starting(20 * s), running(230 * s), running(4*s).markedStop("ines", "goes on to the copy"), off(6 * s)},
		Expect: []Expected{
			mode(0, bench.Off), mode(2*s, bench.Standby),
			event(5*s, bench.RunStarted), mode(5*s, bench.Starting), mode(25*s, bench.Running),
			event(235*s, bench.WindowMet),
			{Type: bench.RunStopped, At: 255 * s, Kind: bench.StoppedByMark},
			mode(259*s, bench.Off),
		},
	}
}

// fiveDrops resets about 180 s after its system starts: what a board does
// whose sensors are not all there (common practice).
func fiveDrops() *Scenario {
	sc := &Scenario{
		Name: "five-drops", Title: "Lark 3, no front sensor", Hookup: onSupply,
		Story: "A board without one of its sensors resets at almost the same uptime, five times; then it is left off.",
	}
	sc.Expect = []Expected{mode(0, bench.Off)}
	at, gone := time.Duration(0), 3*s
	for i, up := range []time.Duration{179600, 180400, 180100, 179800, 180200} {
		up *= time.Millisecond
		sc.Phases = append(sc.Phases, off(gone), starting(20*s), running(up))
		start := at + gone
		at, gone = start+20*s+up, 500*time.Millisecond
		sc.Expect = append(sc.Expect, event(start, bench.RunStarted), mode(start, bench.Starting), mode(start+20*s, bench.Running))
		kind := bench.Reset
		if i == 4 {
			kind = bench.Died
		}
		end := dropped(at, kind)
		if i == 2 {
			end = slices.Insert(end, 3, event(at, bench.RunRegular))
		}
		sc.Expect = append(sc.Expect, end...)
	}
	sc.Phases = append(sc.Phases, off(5*s))
	return sc
}

func restoreCompletes() *Scenario {
	return &Scenario{
		Name: "restore-completes", Title: "Heron 2, forced update", Hookup: onSupply,
		Story: "Recovery, a restore with one planned restart and a quiet stretch, then the system comes up.",
		Phases: []Phase{
			off(2 * s), starting(8 * s), recovery(6 * s), away(600 * time.Millisecond), restoring(90 * s), frozen(40 * s),
			restoring(60 * s), away(20 * s), restoring(60 * s), away(25 * s), running(80 * s),
		},
		Expect: join(begun(2*s), []Expected{
			mode(10*s, bench.Recovery),
			event(16*s, bench.RunRestarted), mode(16600*time.Millisecond, bench.Restoring),
			event(220*s, bench.WindowMet), // told while it is away for its restart
			event(206600*time.Millisecond, bench.RunRestarted),
			event(286600*time.Millisecond, bench.RunRestarted), mode(311600*time.Millisecond, bench.Running),
		}),
	}
}

func restoreStalls() *Scenario {
	return &Scenario{
		Name: "restore-stalls", Title: "Heron 2, second board", Hookup: onSupply,
		Story: "A restore stops moving after a minute; Ines gives up on it three minutes later.",
		Phases: []Phase{
			off(2 * s), starting(8 * s), restoring(60 * s), frozen(190 * s),
			frozen(3*s).markedStop("ines", "cable is next"), off(6 * s),
		},
		Expect: join(begun(2*s), []Expected{
			mode(10*s, bench.Restoring),
			event(70*s, bench.StallRaised), event(220*s, bench.WindowMet),
			{Type: bench.RunStopped, At: 260 * s, Kind: bench.StoppedByMark},
			mode(263*s, bench.Off),
		}),
	}
}

func restoreDrops() *Scenario {
	return &Scenario{
		Name: "restore-drops", Title: "Siskin 5, drop damage", Hookup: onSupply,
		Story:  "The board dies in the middle of a restore and stays off.",
		Phases: []Phase{off(2 * s), starting(8 * s), restoring(100 * s), off(30 * s)},
		Expect: join(begun(2*s), []Expected{mode(10*s, bench.Restoring)}, dropped(110*s, bench.Died)),
	}
}

func batteryBoard() *Scenario {
	return &Scenario{
		Name: "battery-board", Title: "Plover 1, on its battery", Hookup: bench.Hookup{Path: bench.FromBattery, USB: true},
		Story:  "A whole board on its own battery, followed by USB alone, is unplugged after its window.",
		Phases: []Phase{off(3 * s), running(220 * s), off(12 * s)},
		Expect: []Expected{
			event(3*s, bench.RunStarted), mode(3*s, bench.Running), event(213*s, bench.WindowMet),
			{Type: bench.RunDropped, At: 223 * s, Kind: bench.LinkLost},
			mode(223*s, bench.Unknown),
		},
	}
}

func silentSupply() *Scenario {
	return &Scenario{
		Name: "silent-supply", Title: "Dunlin 4, bent connector", Hookup: onSupply,
		Story:  "The supply stops answering for half a minute while the board stays up.",
		Phases: []Phase{off(2 * s), starting(15 * s), running(60 * s), running(30 * s).silent(), running(140 * s), off(8 * s)},
		Expect: join(begun(2*s), []Expected{
			mode(17*s, bench.Running),
			event(77*s, bench.SupplyLost), event(107*s, bench.SupplyBack), event(227*s, bench.WindowMet),
			{Type: bench.RunDown, At: 247 * s},
			{Type: bench.RunDropped, At: 247 * s, Kind: bench.Died},
			mode(247*s, bench.Off),
		}),
	}
}

func shortInterruption() *Scenario {
	at := 77 * s
	return &Scenario{
		Name: "short-interruption", Title: "Siskin 5, donor frame", Hookup: onSupply,
		Story:  "The power is gone for a third of a second; the board starts again by itself.",
		Phases: []Phase{off(2 * s), starting(15 * s), running(60 * s), off(300 * time.Millisecond), starting(20 * s), running(60 * s)},
		Expect: join(begun(2*s), []Expected{mode(17*s, bench.Running)}, dropped(at, bench.Reset), []Expected{
			event(at+300*time.Millisecond, bench.RunStarted), mode(at+300*time.Millisecond, bench.Starting),
			mode(at+20300*time.Millisecond, bench.Running),
		}),
	}
}
