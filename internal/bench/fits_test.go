package bench_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

func TestTidyMarks(t *testing.T) {
	for _, tc := range []struct{ in, want bench.Mark }{
		{bench.Mark{Kind: " screen ", Text: "Lock-Screen", By: " kim"}, bench.Mark{Kind: "screen", Text: "lock screen", By: "kim"}},
		{bench.Mark{Kind: "screen", Text: "PROGRESS_bar"}, bench.Mark{Kind: "screen", Text: "progress bar"}},
		{bench.Mark{Kind: "screen", Text: "repair   prompt"}, bench.Mark{Kind: "screen", Text: "repair prompt"}},
		{bench.Mark{Kind: "screen", Text: "Blue-ish"}, bench.Mark{Kind: "screen", Text: "Blue-ish"}},
		{bench.Mark{Kind: "note", Text: " Lock-Screen came on "}, bench.Mark{Kind: "note", Text: "Lock-Screen came on"}},
	} {
		if diff := cmp.Diff(tc.want, tc.in.Tidy()); diff != "" {
			t.Errorf("%+v (-want +got):\n%s", tc.in, diff)
		}
	}
	if err := (bench.Mark{Kind: bench.MarkNote, Text: " "}).Check(); err == nil {
		t.Error("an empty note is taken")
	}
}

// Marks that would change nothing are refused, in words that say why.
func TestMarksThatMakeNoSense(t *testing.T) {
	now := time.Date(2026, 3, 2, 21, 14, 5, 0, time.UTC)
	ago := func(d time.Duration) time.Time { return now.Add(-d) }
	ended := func(as bench.EventType, d time.Duration) *bench.RunView {
		return &bench.RunView{Start: ago(d + time.Minute), End: ago(d), EndedAs: as}
	}
	run := &bench.RunView{Start: ago(20 * time.Minute), Origin: ago(19 * time.Minute)}
	suspect := &bench.RunView{Start: ago(20 * time.Minute), Suspect: true}
	dropped, old, stopped := ended(bench.RunDropped, 30*time.Second), ended(bench.RunDropped, 11*time.Minute), ended(bench.RunStopped, time.Second)
	stopped.Kind = bench.StoppedByMark
	away, back, there := bench.USBView{Gone: ago(time.Second)}, bench.USBView{Present: true, Since: ago(time.Minute)}, bench.USBView{Present: true, Since: ago(20 * time.Minute)}
	for _, tc := range []struct {
		name string
		s    bench.Snapshot
		kind string
		want string // part of why not; empty: it fits
	}{
		{"stop a run", bench.Snapshot{Run: run}, bench.MarkStop, ""},
		{"stop a drop that has just been", bench.Snapshot{LastRun: dropped}, bench.MarkStop, ""},
		{"stop a drop of long ago", bench.Snapshot{LastRun: ended(bench.RunDropped, 61*time.Second)}, bench.MarkStop, "no run goes on on s1"},
		{"stop what never ran", bench.Snapshot{}, bench.MarkStop, "no run goes on on s1"},
		{"stop twice", bench.Snapshot{LastRun: stopped}, bench.MarkStop, "counted as stopped already"},
		{"a drop was mine", bench.Snapshot{LastRun: dropped}, bench.MarkMine, ""},
		{"a drop was mine, and it is up again", bench.Snapshot{Run: run, LastRun: dropped}, bench.MarkMine, ""},
		{"mine without a drop", bench.Snapshot{Run: run, USB: there}, bench.MarkMine, "nothing dropped on s1 in the last 10 minutes"},
		{"mine twice", bench.Snapshot{LastRun: stopped}, bench.MarkMine, "counted as stopped already"},
		{"mine too late", bench.Snapshot{LastRun: old}, bench.MarkMine, "nothing dropped"},
		{"mine too soon", bench.Snapshot{Run: suspect, USB: there}, bench.MarkMine, "try again in a second"},
		{"the cable is out, that is mine", bench.Snapshot{Run: run, USB: away}, bench.MarkMine, ""},
		{"another device since a minute", bench.Snapshot{Run: run, USB: back}, bench.MarkMine, "nothing dropped"},
		{"no cable since before the run", bench.Snapshot{Run: run, USB: bench.USBView{Gone: ago(time.Hour)}}, bench.MarkMine, "nothing dropped"},
		{"hands off nobody's", bench.Snapshot{}, bench.MarkHandsOff, ""},
		{"resume what was stopped", bench.Snapshot{LastRun: stopped, Waiting: true}, bench.MarkResume, ""},
		{"resume what was off", bench.Snapshot{LastRun: stopped}, bench.MarkResume, "after a stop by mistake"},
		{"resume what was switched off", bench.Snapshot{LastRun: ended(bench.RunStopped, time.Second), Waiting: true}, bench.MarkResume, "after a stop by mistake"},
		{"arm after a stop", bench.Snapshot{LastRun: stopped, Waiting: true}, bench.MarkArm, "mark resume first"},
		{"arm before power", bench.Snapshot{LastRun: stopped}, bench.MarkArm, ""},
		{"nothing is armed", bench.Snapshot{}, bench.MarkDone, "no goal is armed"},
	} {
		tc.s.Station, tc.s.At = "s1", now
		err := tc.s.Fits(bench.Mark{Kind: tc.kind})
		if (err == nil) != (tc.want == "") || err != nil && !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: %v, want %q", tc.name, err, tc.want)
		}
	}
}

func TestStillPowered(t *testing.T) {
	flows := bench.ReadingView{Amps: unit.Some(unit.Milliampere)}
	for want, all := range map[bool][]bench.Snapshot{
		true: {
			{Waiting: true, Reading: flows},
			{Waiting: true, USB: bench.USBView{Present: true}},
		},
		false: {
			{Reading: flows},
			{Waiting: true},
			{Waiting: true, Reading: flows, SupplyLost: time.Unix(1, 0)},
			{Waiting: true, Reading: bench.ReadingView{Amps: unit.Some(unit.Current(0))}},
		},
	} {
		for _, s := range all {
			if s.StillPowered() != want {
				t.Errorf("%+v: want %v", s, want)
			}
		}
	}
}
