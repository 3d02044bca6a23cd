package app_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap/zaptest"

	"benchvigil/internal/app"
	"benchvigil/internal/bench"
	"benchvigil/internal/inhibit/inhibittest"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

// While a benchvigil runs, a checkup asks it what it reads, and not the supply
// beside it: the one here would refuse.
func TestCheckBesideARunningWatch(t *testing.T) {
	folder := t.TempDir()
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	family, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	profiles, err := filepath.Abs("../../configs/profiles")
	if err != nil {
		t.Fatal(err)
	}
	var system inhibittest.System
	system.Refuse(errors.New("interactive authentication required"))
	started := make(chan string, 1)
	plan := &app.Plan{
		Bench: "north", Listen: "127.0.0.1:0", Logger: zaptest.NewLogger(t), Events: filepath.Join(folder, "events.jsonl"), Awake: system.Hold,
		Stations: []app.StationPlan{{ID: "s1", Name: "s1", Hookup: bench.Hookup{Path: bench.FromSupply}, Profile: family}},
		Extra:    []app.Source{readings{amps: 412 * unit.Milliampere}},
		Started:  func(url string) { started <- strings.TrimPrefix(url, "http://") },
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- app.Run(ctx, plan) }()
	file := filepath.Join(t.TempDir(), "config.yaml")
	text := fmt.Sprintf("bench: north\nlisten: %s\nprofiles: %s\nusb: {scan: \"off\"}\nstations:\n  - {id: s1, profile: invented-handset, supply: {address: \"127.0.0.1:1\"}}\n",
		<-started, profiles)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	check := func() string {
		var out bytes.Buffer
		// This computer may have no USB, which is an error of its own.
		_ = app.Check(t.Context(), app.CheckOptions{Config: file, Root: t.TempDir(), Out: &out})
		return out.String()
	}
	eventually(t, 20*time.Second, "the running watch says what it reads", func() bool {
		return strings.Contains(check(), "the benchvigil that runs reads it: 3.800 V, 412 mA")
	})
	eventually(t, 20*time.Second, "the running watch says that it may not keep the computer awake", func() bool {
		return strings.Contains(check(), "the benchvigil that runs is refused: interactive authentication required")
	})
	if got := check(); !strings.Contains(got, "disk ("+folder+")") {
		t.Errorf("the disk that the running watch writes to is not looked at:\n%s", got)
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if got := check(); !strings.Contains(got, "connection refused") || !strings.Contains(got, "disk ("+here+")") {
		t.Errorf("without a watch the supply is not asked:\n%s", got)
	}
}
