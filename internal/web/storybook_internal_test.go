package web

import (
	"context"
	"flag"
	"net"
	"testing"
	"time"

	"go.uber.org/zap/zaptest"

	"benchvigil/internal/bench"
)

var (
	show     = flag.String("show", "", "serve the canned states on this address until interrupted")
	stations = flag.Int("stations", 21, "how many, with -show")
	frozen   = flag.Bool("frozen", false, "with -show: time stands still, so that every station falls silent")
)

// TestShow is for looking: every state on one page, time running.
//
//	go test ./internal/web -run TestShow -show 127.0.0.1:8431 -timeout 1h
func TestShow(t *testing.T) {
	if *show == "" {
		t.Skip("serves pages to look at when -show has an address")
	}
	l, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", *show)
	if err != nil {
		t.Fatal(err)
	}
	canned, began := someStations(*stations), time.Now()
	s, err := New(Options{
		Alerts: cannedAlerts, Outlets: cannedOutlets,
		Act:  func(a bench.AlertAct) error { t.Logf("%+v", a); return nil },
		Load: func(context.Context, time.Time, time.Time) (Load, error) { return cannedLoad(), nil },
		TestAlert: func(_ context.Context, outlet, by string) ([]bench.OutletView, error) {
			t.Logf("test of %q by %q", outlet, by)
			return cannedOutlets(), nil
		},
		Mark:  func(station string, m bench.Mark) bool { t.Logf("%s: %+v", station, m); return true },
		Bench: "north", Banner: "Canned states: invented boards, nothing here is real.", Version: "test", Zone: time.UTC, Logger: zaptest.NewLogger(t),
		Snapshots: func() []bench.Snapshot {
			out := make([]bench.Snapshot, len(canned))
			for i, s := range canned {
				out[i] = s
				if !*frozen {
					out[i] = later(s, time.Since(began))
				}
			}
			return out
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Serve(t.Context(), l); err != nil {
		t.Fatal(err)
	}
}
