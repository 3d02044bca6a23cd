package app_test

import (
	"context"
	"os"
	"testing"
	"time"

	"go.uber.org/zap/zaptest"

	"benchvigil/internal/app"
	"benchvigil/internal/bench"
	"benchvigil/internal/inhibit/inhibittest"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

// readings is a source that gives the same reading ten times a second, after
// the goal that somebody armed.
type readings struct {
	amps unit.Current
	goal string
}

func (readings) String() string { return "readings" }

func (r readings) Run(ctx context.Context, emit func(bench.Observation) bool) error {
	if r.goal != "" {
		emit(bench.Observation{At: time.Now(), Station: "s1", Fact: bench.Mark{Kind: bench.MarkArm, Text: r.goal}})
	}
	for ctx.Err() == nil {
		emit(bench.Observation{At: time.Now(), Station: "s1", Fact: bench.Power{Volts: unit.Some(3800 * unit.Millivolt), Amps: unit.Some(r.amps)}})
		time.Sleep(100 * time.Millisecond) // the pace of a real supply, beside a real page
	}
	return nil
}

// A run keeps the computer awake, and so does an armed goal; the end of the
// program lets it go.
func TestARunKeepsTheComputerAwake(t *testing.T) {
	family, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name string
		amps unit.Current
		goal string
		want int
	}{{"off", 0, "", 0}, {"running", 500 * unit.Milliampere, "", 1}, {"armed before power", 0, "stay 3h", 1}} {
		t.Run(tc.name, func(t *testing.T) {
			var system inhibittest.System
			started := make(chan struct{})
			plan := &app.Plan{
				Bench: "north", Listen: "127.0.0.1:0", Logger: zaptest.NewLogger(t), Awake: system.Hold,
				Stations: []app.StationPlan{{ID: "s1", Name: "s1", Hookup: bench.Hookup{Path: bench.FromSupply}, Profile: family}},
				Extra:    []app.Source{readings{tc.amps, tc.goal}},
				Started:  func(string) { close(started) },
			}
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error, 1)
			go func() { done <- app.Run(ctx, plan) }()
			<-started
			if tc.want > 0 {
				eventually(t, 20*time.Second, "the computer is kept awake", func() bool { _, _, held := system.Counts(); return held == 1 })
			} else {
				time.Sleep(3 * time.Second) // longer than a keeper waits to ask
			}
			cancel()
			if err := <-done; err != nil {
				t.Fatal(err)
			}
			if _, given, held := system.Counts(); given != tc.want || held != 0 {
				t.Errorf("locks given %d, still held %d, want %d and 0", given, held, tc.want)
			}
		})
	}
}
