package learn_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/learn"
	"benchvigil/internal/profile"
	"benchvigil/internal/sim"
	"benchvigil/internal/unit"
)

var (
	onSupply = bench.Hookup{Path: bench.FromSupply, USB: true}
	shown    = bench.USBID{Vendor: 0x1209, Product: 0x0004}
)

func phase(d time.Duration, milliamps unit.Current, id bench.USBID) sim.Phase {
	return sim.Phase{For: d, Amps: milliamps * unit.Milliampere, Ripple: 3 * unit.Milliampere, ID: id}
}

func saw(p sim.Phase, s bench.Screen) sim.Phase {
	p.Mark = &bench.Mark{By: "ines", Kind: bench.MarkScreen, Text: string(s)}
	return p
}

func tell(t *testing.T, p *profile.Profile, phases ...sim.Phase) []learn.Finding {
	t.Helper()
	l := learn.New(p)
	follow(l, onSupply, watch(&sim.Scenario{Hookup: onSupply, Phases: phases}))
	return l.Findings()
}

const alike = `
name: x
starts_above: 0.03
modes:
  starting: {amps: [0.1, 1]}
  re-pairing: {usb: ["1209:0004"], amps: [0.2, 1.2], gap: 20s, restarts: expected}
  running: {usb: ["1209:0004"], amps: [0.1, 1.8], gap: 20s}
`

// Two modes that show the same are told apart by what somebody marked.
func TestMarksAreEvidence(t *testing.T) {
	found := tell(t, parse(t, alike),
		phase(2*time.Second, 0, bench.USBID{}), phase(10*time.Second, 600, bench.USBID{}),
		phase(60*time.Second, 300, shown),
		saw(phase(60*time.Second, 700, shown), bench.ScreenRepair),
		saw(phase(60*time.Second, 400, shown), bench.ScreenUnlocked))
	for m, want := range map[bench.Mode]profile.Band{
		bench.RePairing: {Low: 697_000, High: 703_000},
		bench.Running:   {Low: 297_000, High: 404_000},
	} {
		got := learned(t, find(t, found, m, profile.KeyAmps))
		if far(got.Low, want.Low) || far(got.High, want.High) {
			t.Errorf("%s: %v to %v, want about %v to %v", m, got.Low, got.High, want.Low, want.High)
		}
	}
}

// restarts is a running board that leaves the bus for each length of time.
func restarts(away ...time.Duration) []sim.Phase {
	out := []sim.Phase{phase(2*time.Second, 0, bench.USBID{}), phase(10*time.Second, 600, bench.USBID{}), phase(20*time.Second, 300, shown)}
	for _, d := range away {
		out = append(out, phase(d, 300, bench.USBID{}), phase(20*time.Second, 300, shown))
	}
	return out
}

func TestGaps(t *testing.T) {
	const s = time.Second
	for _, tc := range []struct {
		name string
		gap  string
		away []time.Duration
		want learn.Finding
	}{
		{"one shorter", "20s", []time.Duration{8 * s}, learn.Finding{
			Old: "20s", From: "1 absence, up to 8s", Why: "too little: 5 absences are needed to lower it",
		}},
		{"four longer", "4s", []time.Duration{8 * s, 5 * s, 6 * s, 7 * s}, learn.Finding{
			Old: "4s", From: "4 absences, up to 8s", Why: "too little: 5 absences are needed to raise it",
		}},
		{"five, one of them longer", "4s", []time.Duration{3 * s, 2 * s, 8 * s, 3 * s, 2 * s}, learn.Finding{
			Change: profile.Change{To: []string{"12s"}}, Old: "4s", From: "5 absences, up to 8s",
		}},
		{"five shorter", "20s", []time.Duration{3 * s, 4 * s, 8 * s, 5 * s, 6 * s}, learn.Finding{
			Change: profile.Change{To: []string{"12s"}}, Old: "20s", From: "5 absences, up to 8s",
		}},
		{"never below the general gap", "20s", []time.Duration{s, s, s, s, s}, learn.Finding{
			Change: profile.Change{To: []string{"5s"}}, Old: "20s", From: "5 absences, up to 1s",
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			p := parse(t, fmt.Sprintf("name: x\nstarts_above: 0.03\nmodes:\n  starting: {amps: [0.1, 1]}\n  running: {usb: [\"1209:0004\"], amps: [0.1, 1.8], gap: %s}", tc.gap))
			tc.want.Mode, tc.want.Key = bench.Running, profile.KeyGap
			got := find(t, tell(t, p, restarts(tc.away...)...), bench.Running, profile.KeyGap)
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// A cable that somebody pulled, and said so, is no gap.
func TestMarkedAbsenceIsNoGap(t *testing.T) {
	const s = time.Second
	hold := func(p sim.Phase, kind string, d time.Duration) sim.Phase {
		p.Mark = &bench.Mark{By: "ines", Kind: kind, For: d}
		return p
	}
	away, back := phase(8*s, 300, bench.USBID{}), phase(20*s, 300, shown)
	for _, tc := range []struct {
		name   string
		phases []sim.Phase
		want   string
	}{
		{"mine, of the one before", []sim.Phase{away, back, away, hold(back, bench.MarkMine, 0)}, "1 absence, up to 8s, and 1 left out by a mark"},
		{"mine, while it is gone", []sim.Phase{away, back, hold(away, bench.MarkMine, 0), back}, "1 absence, up to 8s, and 1 left out by a mark"},
		{"mine, too late", []sim.Phase{away, phase(11*time.Minute, 300, shown), hold(back, bench.MarkMine, 0)}, "1 absence, up to 8s"},
		{"hands on", []sim.Phase{hold(back, bench.MarkHandsOn, 0), away, back, away, back}, "0 absences, and 2 left out by a mark"},
		{"hands on, over", []sim.Phase{hold(back, bench.MarkHandsOn, 10*s), away, back}, "1 absence, up to 8s"},
		{"hands on and off", []sim.Phase{hold(back, bench.MarkHandsOn, 0), hold(back, bench.MarkHandsOff, 0), away, back}, "1 absence, up to 8s"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			p := parse(t, "name: x\nstarts_above: 0.03\nmodes:\n  starting: {amps: [0.1, 1]}\n  running: {usb: [\"1209:0004\"], amps: [0.1, 1.8], gap: 20s}")
			if f := find(t, tell(t, p, append(restarts(), tc.phases...)...), bench.Running, profile.KeyGap); f.From != tc.want {
				t.Errorf("from %q, want %q", f.From, tc.want)
			}
		})
	}
}

// An absence in which the run ended is no gap.
func TestDropIsNoGap(t *testing.T) {
	found := tell(t, parse(t, alike), append(restarts(),
		phase(3*time.Second, 0, bench.USBID{}), phase(10*time.Second, 600, bench.USBID{}), phase(20*time.Second, 300, shown))...)
	for _, f := range found {
		if f.Key == profile.KeyGap {
			t.Errorf("%s: %s", f, f.From)
		}
	}
}

// On a battery a longer absence ends the run, and is no gap either.
func TestLostLinkIsNoGap(t *testing.T) {
	l := learn.New(parse(t, "name: x\nmodes: {running: {usb: [\"1209:0004\"], gap: 4s}}"))
	h := bench.Hookup{Path: bench.FromBattery, USB: true}
	follow(l, h, watch(&sim.Scenario{Hookup: h, Phases: restarts(2*time.Second, 8*time.Second)}))
	if f := find(t, l.Findings(), bench.Running, profile.KeyGap); f.From != "1 absence, up to 2s" {
		t.Errorf("from %s, want the short absence only", f.From)
	}
}

// A stay that ended in a drop, a stop or an earlier mode is no dwell, nor is
// one whose beginning was not seen.
func TestUnfinishedDwells(t *testing.T) {
	p := handset(t)
	restoring := bench.USBID{Vendor: 0x1209, Product: 0x0003}
	recovery := bench.USBID{Vendor: 0x1209, Product: 0x0002}
	begin := []sim.Phase{phase(2*time.Second, 0, bench.USBID{}), phase(20*time.Second, 600, bench.USBID{})}
	stop := phase(4*time.Second, 800, restoring)
	stop.Mark = &bench.Mark{Kind: bench.MarkStop}
	for _, tc := range []struct {
		name   string
		phases []sim.Phase
		want   string
	}{
		{"goes on to running", append(begin, phase(40*time.Second, 800, restoring), phase(20*time.Second, 300, shown)), "1 dwell, up to 40s"},
		{"dies", append(begin, phase(40*time.Second, 800, restoring), phase(5*time.Second, 0, bench.USBID{})), "0 dwells"},
		{"stopped", append(begin, phase(40*time.Second, 800, restoring), stop, phase(5*time.Second, 0, bench.USBID{})), "0 dwells"},
		{"back to recovery", append(begin, phase(40*time.Second, 800, restoring), phase(20*time.Second, 400, recovery)), "0 dwells"},
		{"there at first sight", []sim.Phase{phase(40*time.Second, 800, restoring), phase(20*time.Second, 300, shown)}, "0 dwells"},
		{"stopped, and goes on all the same", append(begin, phase(40*time.Second, 800, restoring), stop, phase(20*time.Second, 300, shown)), "0 dwells"},
		{"after who knows what", append(begin, phase(9*time.Second, 800, bench.USBID{Vendor: 0x1209, Product: 0x00ff}), phase(40*time.Second, 800, restoring), phase(20*time.Second, 300, shown)), "0 dwells"},
		{"still going on", append(begin, phase(40*time.Second, 800, restoring)), "0 dwells"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if f := find(t, tell(t, p, tc.phases...), bench.Restoring, profile.KeyMost); f.From != tc.want {
				t.Errorf("from %s, want %s", f.From, tc.want)
			}
		})
	}
}

// A start longer than the longest allowed raises the limit at once.
func TestOneLongStartRaisesTheLimit(t *testing.T) {
	found := tell(t, handset(t), phase(2*time.Second, 0, bench.USBID{}), phase(80*time.Second, 600, bench.USBID{}), phase(20*time.Second, 300, shown))
	if f := find(t, found, bench.Starting, profile.KeyMost); profile.Inline(f.To) != "2m" || f.Old != "1m" {
		t.Errorf("%v from %s, was %s; want 2m, half as much again as 80 s", f.To, f.From, f.Old)
	}
	if f := find(t, found, bench.Starting, profile.KeyTypical); len(f.To) != 0 {
		t.Errorf("typical became %v from %s", f.To, f.From)
	}
}

// Learning standby's band does not move the current above which a run starts.
func TestStandbyKeepsTheStart(t *testing.T) {
	found := tell(t, handset(t), phase(2*time.Second, 0, bench.USBID{}),
		sim.Phase{For: 60 * time.Second, Amps: 8 * unit.Milliampere, Ripple: unit.Milliampere})
	b := learned(t, find(t, found, bench.Standby, profile.KeyAmps))
	if b.Low < 5_000 || b.High > 11_000 {
		t.Errorf("standby became %v to %v", b.Low, b.High)
	}
	if f := find(t, found, "", "starts_above"); profile.Inline(f.To) != "0.03" || !strings.HasPrefix(f.Why, "kept") {
		t.Errorf("starts_above: %v, %s", f.To, f.Why)
	}
	if f := find(t, found, bench.Off, profile.KeyAmps); len(f.To) != 0 {
		t.Errorf("the off band became %v", f.To)
	}
}

// The families whose restore begins under one identity and goes on under
// another, which stands for running too: the mode is kept.
func TestRestoreAcrossIdentities(t *testing.T) {
	const s = time.Second
	recovery, normal := bench.USBID{Vendor: 0x05ac, Product: 0x1281}, bench.USBID{Vendor: 0x05ac, Product: 0x12a8}
	sc := &sim.Scenario{Hookup: onSupply, Phases: []sim.Phase{
		phase(2*s, 0, bench.USBID{}), phase(15*s, 600, bench.USBID{}),
		phase(20*s, 250, recovery), phase(20*s, 900, recovery), phase(2*s, 700, bench.USBID{}), phase(120*s, 900, normal),
		saw(phase(20*s, 300, normal), bench.ScreenLock),
	}}
	var got []string
	for _, e := range follow(learn.New(load(t, "family-05ac.yaml")), onSupply, watch(sc)) {
		if e.Type == bench.ModeChanged || e.Type == bench.RunDropped {
			got = append(got, fmt.Sprintf("%v %s", e.Time.Sub(start).Round(s), e.Data.To))
		}
	}
	want := []string{"0s off", "2s starting", "17s recovery", "37s restoring", "2m59s running"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func far(a, b unit.Current) bool { return max(a-b, b-a) > 2*unit.Milliampere }
