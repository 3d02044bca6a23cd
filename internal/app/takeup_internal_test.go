package app

import (
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/ledger"
	"benchvigil/internal/profile"
	"benchvigil/internal/station"
)

// left is a ledger in which the watch of s1 was left, with a goal armed.
func left(t *testing.T, p *Plan) {
	t.Helper()
	a := started(t, p)
	now := a.now()
	r := a.record
	r.begin(p.Stations[0], now)
	mark := bench.Observation{At: now, Station: "s1", Fact: bench.Mark{Kind: bench.MarkArm, By: "kim", Text: "stay 3h"}}
	r.observe(mark)
	e := infer.New(p.Stations[0].Profile, infer.Station{ID: "s1", Hookup: p.Stations[0].Hookup})
	e.Step(mark)
	if err := r.store.Append(t.Context(), e.Settle()); err != nil {
		t.Fatal(err)
	}
	a.setup.Load().places[0].save(now, station.Memory{Engine: e.State()})
	if err := r.close(); err != nil {
		t.Fatal(err)
	}
}

// started is an assembly with its stations made and not begun.
func started(t *testing.T, p *Plan) *assembly {
	t.Helper()
	a := &assembly{plan: p}
	r, err := openRecord(p)
	if err != nil {
		t.Fatal(err)
	}
	a.record = r
	s, err := a.build(p, &setup{}, everything(p))
	if err != nil {
		t.Fatal(err)
	}
	a.setup.Store(s)
	return a
}

// What was left is taken up; what cannot be is not, says why, and its goal is
// brought up.
func TestWhatIsTakenUp(t *testing.T) {
	handset, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	other := *handset
	other.Gap += time.Second
	named := *handset
	named.Name = "other"
	for _, tc := range []struct {
		name   string
		change func(p *Plan, s *StationPlan)
		damage string // what is kept instead
		want   string // why it is not taken up; empty: it is
	}{
		{"as it was", func(*Plan, *StationPlan) {}, "", ""},
		{"another name", func(_ *Plan, s *StationPlan) { s.Name = "Left" }, "", ""},
		{"another hookup", func(_ *Plan, s *StationPlan) { s.Hookup.VBUS = true }, "", "wired otherwise"},
		{"another window", func(_ *Plan, s *StationPlan) { s.Window = time.Hour }, "", "another window"},
		{"another profile", func(_ *Plan, s *StationPlan) { s.Profile = &named }, "", "its profile was invented-handset, and is other"},
		{"a changed profile", func(_ *Plan, s *StationPlan) { s.Profile = &other }, "", "was changed"},
		{"another port", func(_ *Plan, s *StationPlan) { s.Port = "1-3" }, "", `its port was "1-2", and is "1-3"`},
		{"too long ago", func(p *Plan, _ *StationPlan) { p.Now = func() time.Time { return time.Now().Add(8 * 24 * time.Hour) } }, "", "longer than"},
		{"garbage", func(*Plan, *StationPlan) {}, "garbage", "its checksum is wrong"},
		{"another version", func(*Plan, *StationPlan) {}, "c3cc0b87 {\"Version\":9}", "cannot be read"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			core, logs := observer.New(zapcore.WarnLevel)
			p := &Plan{Bench: "b", Data: t.TempDir(), Logger: zap.New(core), Stations: []StationPlan{
				{ID: "s1", Port: "1-2", Profile: handset, Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}},
			}}
			left(t, p)
			if tc.damage != "" {
				spoil(t, p.Data, tc.damage)
			}
			tc.change(p, &p.Stations[0])
			a := started(t, p)
			v := a.setup.Load().places[0].station.Snapshot()
			if err := a.record.close(); err != nil {
				t.Error(err)
			}
			if taken := v.Watch != nil && v.Forgotten == nil; taken != (tc.want == "") || !taken && v.Forgotten == nil {
				t.Errorf("watch %+v, forgotten %+v", v.Watch, v.Forgotten)
			}
			said := ""
			for _, l := range logs.FilterMessage("the watch of before is not taken up, the station begins anew").All() {
				said += l.ContextMap()["err"].(string)
			}
			if (said == "") != (tc.want == "") || !strings.Contains(said, tc.want) {
				t.Errorf("said %q, want %q", said, tc.want)
			}
		})
	}
}

// spoil keeps something else of s1.
func spoil(t *testing.T, dir, data string) {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, Logger: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	saved, err := l.State(t.Context(), "s1")
	if err != nil {
		t.Fatal(err)
	}
	l.TakeUp("s1", time.Now(), saved.Wiring)
	l.SaveState("s1", time.Now(), []byte(data))
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
}

// The form in which a memory is kept may hold anything.
func FuzzDecodeKept(f *testing.F) {
	good, err := (&kept{Version: keptVersion, Profile: "x"}).encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add([]byte("00000000 {}"))
	f.Fuzz(func(t *testing.T, b []byte) {
		k, err := decodeKept(b)
		if (k == nil) != (err != nil) || err != nil && !errors.Is(err, errUnreadable) {
			t.Fatal(k, err)
		}
	})
}
