package chart_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"benchvigil/internal/bench"
	"benchvigil/internal/chart"
)

func clock(gap time.Duration, end bool) bench.Clock { return bench.Clock{Gap: gap, End: end} }

func TestGaps(t *testing.T) {
	lost := func(at int64, text string) chart.Fact {
		return chart.Fact{At: at, Fact: bench.Supply{Change: bench.Lost, Error: text}}
	}
	back := func(at int64) chart.Fact { return chart.Fact{At: at, Fact: bench.Supply{Change: bench.Back}} }
	const end = 100_000
	for _, tt := range []struct {
		name   string
		facts  []chart.Fact
		silent []chart.Gap
		began  []chart.Began
		want   []chart.Gap
	}{
		{"none", nil, nil, nil, []chart.Gap{}},
		{
			"the supply lost, told after its last reading",
			[]chart.Fact{lost(23_000, "no answer"), back(40_000)},
			[]chart.Gap{{From: 20_000, To: 40_100}},
			nil,
			[]chart.Gap{{20_000, 40_100, "supply lost: no answer"}},
		},
		{"lost until the end", []chart.Fact{lost(23_000, "")}, nil, nil, []chart.Gap{{23_000, end, "supply lost"}}},
		{"nothing tells why", nil, []chart.Gap{{From: 5_000, To: 9_000}}, nil, []chart.Gap{{5_000, 9_000, "no reading came"}}},
		{"taken up again", []chart.Fact{{At: 60_000, Fact: clock(10*time.Second, false)}}, nil, nil, []chart.Gap{{50_000, 60_000, "nobody watched"}}},
		{
			"stopped and begun anew",
			[]chart.Fact{{At: 30_000, Fact: clock(0, true)}},
			[]chart.Gap{{From: 29_900, To: 45_100}},
			[]chart.Began{{At: 0, Anew: true}, {At: 45_000, Anew: true}},
			[]chart.Gap{{29_900, 45_100, "nobody watched"}},
		},
		{
			"cut off and begun anew", nil,
			[]chart.Gap{{From: 29_900, To: 45_100}},
			[]chart.Began{{At: 0, Anew: true}, {At: 45_000, Anew: true}},
			[]chart.Gap{{29_900, 45_100, "nobody watched"}},
		},
		{
			"two in one silence",
			[]chart.Fact{lost(10_000, ""), back(20_000), lost(30_000, ""), back(40_000)},
			[]chart.Gap{{From: 9_000, To: 42_000}},
			nil,
			[]chart.Gap{{9_000, 20_000, "supply lost"}, {20_000, 42_000, "supply lost"}},
		},
		{"not before it was followed", nil, []chart.Gap{{From: 0, To: 50_000}}, []chart.Began{{At: 49_000, Anew: true}}, []chart.Gap{}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := chart.Explain(chart.Known(tt.facts, tt.began, end), tt.silent, tt.began, 0, end)
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestModes(t *testing.T) {
	at := func(s int64) time.Time { return time.UnixMilli(s * 1000) }
	to := func(s int64, m bench.Mode) bench.Event {
		return bench.Event{Type: bench.ModeChanged, Time: at(s), Data: bench.EventData{To: m}}
	}
	label := func(m bench.Mode) string { return "the " + string(m) }
	changes := []bench.Event{to(-100, bench.Running), to(10, bench.Asleep), to(40, bench.Starting)}
	began := []chart.Began{{At: -200_000, Anew: true}, {At: 30_000, Anew: true}}
	got := chart.Modes(changes, began, 0, 60_000, label)
	want := []chart.ModeSpan{
		{0, 10_000, "running", "the running"},
		{10_000, 30_000, "asleep", "the asleep"},
		{30_000, 40_000, "unknown", "the unknown"},
		{40_000, 60_000, "starting", "the starting"},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	got = chart.Unwatched(got, []chart.Gap{{5_000, 12_000, "nobody watched"}, {45_000, 50_000, "supply lost"}})
	want[0].To, want[1].From = 5_000, 12_000
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	coarse := chart.Coarse([]chart.ModeSpan{{0, 100, "running", ""}, {100, 104, "off", ""}, {104, 109, "starting", ""}, {109, 200, "running", ""}, {200, 203, "off", ""}}, 10)
	if d := cmp.Diff([]chart.ModeSpan{{0, 100, "running", ""}, {100, 109, "starting", ""}, {109, 200, "running", ""}, {200, 203, "off", ""}}, coarse); d != "" {
		t.Error(d)
	}
}

// Of too many marks the ordinary go first, then the oldest.
func TestFew(t *testing.T) {
	var marks []chart.EventMark
	for i := range int64(300) {
		marks = append(marks,
			chart.EventMark{At: 2 * i, ID: fmt.Sprint("drop", i), Type: string(bench.RunDropped)},
			chart.EventMark{At: 2*i + 1, ID: fmt.Sprint("start", i), Type: string(bench.RunStarted)})
	}
	got, left := chart.Few(marks)
	drops := 0
	for i, m := range got {
		if m.Type == string(bench.RunDropped) {
			drops++
		}
		if i > 0 && m.At < got[i-1].At {
			t.Errorf("mark %d at %d follows one at %d", i, m.At, got[i-1].At)
		}
	}
	if drops != 300 || len(got)+left != 600 || got[1].ID != "drop1" {
		t.Errorf("%d drops, %d of %d marks, left %d, second %v", drops, len(got), len(marks), left, got[1])
	}
}

// Worked by hand: of four runs of 100, 200, 300 and
// 400 s that of 200 s was stopped, so the curve falls to 3/4, 3/8 and 0.
func TestSurvival(t *testing.T) {
	at := time.UnixMilli(0)
	run := func(lasted float64, outcome string, assumed bool) chart.Ran {
		return chart.Ran{Row: chart.RunRow{ID: fmt.Sprint(lasted), Began: at, UptimeS: lasted + 30, Outcome: outcome, Assumed: assumed}, Begin: at.Add(30 * time.Second)}
	}
	runs := []chart.Ran{
		run(300, "dropped", false), run(200, "stopped", false), run(100, "dropped", false), run(400, "dropped", false),
		run(50, "dropped", true), run(70, "unseen", false),
		{Row: chart.RunRow{Began: at, UptimeS: 20, Outcome: "stopped"}},
	}
	s := chart.SurvivalOf(runs, 210*time.Second)
	want := []chart.Step{{AtS: 100, AtRisk: 4, Ended: 1, Share: 0.75}, {AtS: 300, AtRisk: 2, Ended: 1, Share: 0.375}, {AtS: 400, AtRisk: 1, Ended: 1}}
	if d := cmp.Diff(want, s.Steps, cmpopts.IgnoreFields(chart.Step{}, "Low", "High"), cmpopts.EquateApprox(0, 1e-12)); d != "" {
		t.Error(d)
	}
	if len(s.Runs) != 4 || s.Runs[1].Censored != true || s.Runs[0].Censored || s.AtWindow == nil || s.AtWindow.Share != 0.75 || s.MedianS == nil || *s.MedianS != 300 {
		t.Errorf("%+v", s)
	}
	// 0.75^exp(±1.644854·√(1/12)/ln 0.75), worked out apart from the code.
	for _, l := range []struct {
		got  *float64
		want float64
	}{{s.Steps[0].Low, 0.2234}, {s.Steps[0].High, 0.9463}} {
		if l.got == nil || math.Abs(*l.got-l.want) > 5e-4 {
			t.Errorf("limit %v, want %v", l.got, l.want)
		}
	}
	if s.Steps[2].Low != nil || s.Steps[2].High != nil {
		t.Error("limits where nobody is left")
	}
	if none := chart.SurvivalOf(nil, time.Minute); none.AtWindow != nil || none.MedianS != nil || none.Steps == nil || none.Runs == nil {
		t.Errorf("of no runs: %+v", none)
	}
}

// The window of a run counts from the end of its starting, as inference has it.
func TestOrigin(t *testing.T) {
	at := func(s int64) time.Time { return time.UnixMilli(s * 1000) }
	change := func(s int64, from, to bench.Mode) bench.Event {
		return bench.Event{Type: bench.ModeChanged, Time: at(s), Data: bench.EventData{From: from, To: to}}
	}
	changes := []bench.Event{change(100, bench.Off, bench.Starting), change(130, bench.Starting, bench.Running), change(300, bench.Running, bench.Off)}
	run := chart.RunRow{Began: at(100)}
	for _, tt := range []struct {
		name    string
		run     chart.RunRow
		changes []bench.Event
		power   bool
		want    time.Time
	}{
		{"from starting", run, changes, false, at(130)},
		{"from power", run, changes, true, at(100)},
		{"met", chart.RunRow{Began: at(100), WindowS: 210, WindowMet: at(345)}, changes, false, at(135)},
		{"never left starting", run, changes[:1], false, time.Time{}},
		{"no such mode", run, nil, false, at(100)},
	} {
		if got := chart.Origin(&tt.run, tt.changes, tt.power, at(400)); !got.Equal(tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
}
