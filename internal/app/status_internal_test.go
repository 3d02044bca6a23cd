package app

import (
	"strings"
	"testing"
	"time"

	"benchvigil/internal/api"
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

func TestLastMark(t *testing.T) {
	when := time.Date(2026, 3, 2, 15, 6, 32, 0, time.Local)
	for want, m := range map[string]*api.Noted{
		"-":                           nil,
		"stop, kim at 15:06:32":       {At: when, Kind: "stop", By: "kim"},
		"warm at 15:06:32":            {At: when, Kind: "warm"},
		"note: it smells at 15:06:32": {At: when, Kind: "note", Text: "it\n smells"},
		"note: " + strings.Repeat("ä", 33) + "…, kim at 15:06:32": {At: when, Kind: "note", Text: strings.Repeat("ä", 60), By: "kim"},
	} {
		if got := markWords(m); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

func TestAttention(t *testing.T) {
	when := time.Date(2026, 3, 2, 15, 6, 32, 0, time.Local)
	dropped := func(met time.Time) *api.Run {
		return &api.Run{UptimeS: 183, End: when, EndedAs: bench.RunDropped, Kind: bench.Died, WindowMet: met}
	}
	stopped := &api.Run{UptimeS: 183, End: when, EndedAs: bench.RunStopped, Kind: bench.StoppedByMark}
	up, met := &api.Run{UptimeS: 60}, &api.Run{UptimeS: 600, WindowMet: when}
	for _, tc := range []struct {
		name string
		s    api.Status
		want string
	}{
		{"nothing", api.Status{Run: up}, ""},
		{"dropped", api.Status{LastRun: dropped(time.Time{}), WindowS: 210}, "dropped at 15:06:32 after 3:03 (died), window missed"},
		{"dropped after its window", api.Status{LastRun: dropped(when), WindowS: 210}, "dropped at 15:06:32 after 3:03 (died)"},
		{"up again", api.Status{Run: up, LastRun: dropped(time.Time{}), WindowS: 210}, "dropped at 15:06:32 after 3:03 (died), up again, window missed"},
		{"up again for long", api.Status{Run: met, LastRun: dropped(time.Time{}), WindowS: 210}, ""},
		{"stopped", api.Status{LastRun: stopped, WindowS: 210}, "stopped at 15:06:32 after 3:03 (mark)"},
		{"a goal before power", api.Status{Watch: &api.Watch{Goal: "stay 3h"}}, "goal stay 3h: waiting for a run"},
		{"a goal before the end of the start", api.Status{Run: up, Watch: &api.Watch{Goal: "stay"}}, "goal stay: waiting for the end of the start"},
		{"a goal", api.Status{Run: up, At: when, Watch: &api.Watch{Goal: "stay 3h", From: when.Add(-time.Hour), TakesS: 10800}}, "goal stay 3h: 1:00:00 of 3:00:00"},
		{"a goal without limit", api.Status{Run: up, At: when, Watch: &api.Watch{Goal: "copy", Armed: when.Add(-time.Minute), From: when.Add(-time.Minute)}}, "goal copy: armed for 1:00"},
		{"a goal reached", api.Status{Run: up, LastWatch: &api.Watch{Goal: "stay 3h", Ended: when, EndedAs: bench.WatchDone, Why: "up for 3 h 0 min"}}, "goal stay 3h: done at 15:06:32: up for 3 h 0 min"},
		{"a goal missed", api.Status{Run: up, LastWatch: &api.Watch{
			Goal: "copy", Ended: when, EndedAs: bench.WatchFailed, Kind: bench.WatchLate, Why: "nobody said that the copy is done within 5 h 0 min",
		}}, "goal copy: failed at 15:06:32: nobody said that the copy is done within 5 h 0 min"},
		{"a goal ended", api.Status{Run: up, LastWatch: &api.Watch{Goal: "copy", Ended: when, EndedAs: bench.WatchFailed, Kind: bench.WatchStopped, Why: "kim marked a stop"}}, "goal copy: ended at 15:06:32: kim marked a stop"},
		{"a goal just armed", api.Status{Run: up, At: when, Watch: &api.Watch{Goal: "stay 2h", From: when.Add(-2 * time.Minute), TakesS: 7200}}, "goal stay 2h: 0:02:00 of 2:00:00"},
		{"up again at once", api.Status{Run: &api.Run{Start: when.Add(1200 * time.Millisecond)}, LastRun: dropped(time.Time{})}, "dropped at 15:06:32 after 3:03, up again after 1 s"},
		{"stopped, still powered", api.Status{LastRun: stopped, Waiting: true, StillPowered: true, SupplyError: "no answer"}, "stopped at 15:06:32 after 3:03 (mark); " +
			"stopped, still powered: nobody watches it. The next run starts after off was seen; mark resume if the stop was a mistake; supply: no answer"},
		{"the most urgent first", api.Status{
			Run: up, LastRun: dropped(when), StalledSince: when, HandsOnUntil: when, SupplyLostSince: when,
			LastWatch: &api.Watch{Goal: "copy", Ended: when, EndedAs: bench.WatchFailed, Kind: bench.WatchDropped, Why: "dropped (died) after 3 min"},
		}, "dropped at 15:06:32 after 3:03 (died), up again; stalled since 15:06:32; goal copy: failed at 15:06:32: dropped (died) after 3 min; " +
			"supply silent since 15:06:32; hands on until 15:06:32"},
		{"stopped before", api.Status{Run: up, LastRun: stopped, WindowS: 210}, ""},
		{"cable out", api.Status{Run: up, USB: &api.USB{Gone: when, Overdue: true}}, "USB gone since 15:06:32, the current still flows: is the cable out?"},
		{"a leak", api.Status{Current: &api.Current{High: when, HighKind: bench.Leak}}, "leak in standby since 15:06:32"},
		{"current wrong in three ways", api.Status{Run: up, Current: &api.Current{High: when, HighKind: bench.OverLimit, Drifting: when, Collapsed: when}}, "current above its limit since 15:06:32; volts sagged at the supply's limit at 15:06:32; current drifting, told at 15:06:32"},
		{"gone, and it may be", api.Status{Run: up, USB: &api.USB{Gone: when}}, ""},
	} {
		if got := strings.Join(attention(tc.s), "; "); got != tc.want {
			t.Errorf("%s: %q, want %q", tc.name, got, tc.want)
		}
	}
}

func TestUptimeWords(t *testing.T) {
	now := time.Date(2026, 3, 2, 15, 6, 32, 0, time.UTC)
	for _, tt := range []struct {
		want string
		run  *api.Run
	}{
		{"-", nil},
		{"14:48", &api.Run{UptimeS: 888}},
		{"> 14:48", &api.Run{UptimeS: 888, Assumed: true}},
		{"> 0:04", &api.Run{UptimeS: 888, Assumed: true, SureFrom: now.Add(-4 * time.Second)}},
	} {
		if got := uptimeWords(api.Status{At: now, Run: tt.run}); got != tt.want {
			t.Errorf("%+v: %q, want %q", tt.run, got, tt.want)
		}
	}
}

func TestAheadWords(t *testing.T) {
	for want, s := range map[string]api.Status{
		"-": {Needs: &api.Needs{}},
		"2 of 2 runs reached it (too few to tell)": {Odds: &api.Odds{Text: "2 of 2 runs reached it (too few to tell)"}},
		"about 6 min more; 1 of 2 lasted":          {Needs: &api.Needs{Text: "about 6 min more"}, Odds: &api.Odds{Text: "1 of 2 lasted"}},
	} {
		if got := aheadWords(s); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// A reading from before the supply fell silent is not shown as what flows now.
func TestReadingWords(t *testing.T) {
	when := time.Date(2026, 3, 2, 15, 6, 32, 0, time.Local)
	s := api.Status{At: when, Reading: &api.Reading{At: when.Add(-12 * time.Second), Amps: unit.Some(390 * unit.Milliampere), Volts: unit.Some(3800 * unit.Millivolt)}}
	if a, v := ampsWords(s), voltsWords(s); a != "390 mA" || v != "3.800 V" {
		t.Errorf("in sight: %q, %q", a, v)
	}
	s.SupplyLostSince = s.Reading.At
	if a, v := ampsWords(s), voltsWords(s); a != "- (390 mA 12 s ago)" || v != "-" {
		t.Errorf("out of sight: %q, %q", a, v)
	}
}
