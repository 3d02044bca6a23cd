package app

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/profile"
	"benchvigil/internal/station"
	"benchvigil/internal/systemd"
)

// The watchdog goes hungry as long as one station of several does not work.
func TestWatchdogIsNotFedBlindly(t *testing.T) {
	socket := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close() //nolint:errcheck // only read from
	fed := func() bool {
		b := make([]byte, 64)
		if err := conn.SetReadDeadline(time.Now().Add(100 * time.Millisecond)); err != nil {
			t.Fatal(err)
		}
		n, err := conn.Read(b)
		return err == nil && string(b[:n]) == "WATCHDOG=1"
	}
	t.Setenv("NOTIFY_SOCKET", socket)
	service, err := systemd.FromEnvironment()
	if err != nil {
		t.Fatal(err)
	}
	core, logs := observer.New(zapcore.ErrorLevel)
	a := &assembly{plan: &Plan{Logger: zap.New(core), Service: service}}
	good, stuck := lone(t, "good"), lone(t, "stuck")
	a.setup.Store(&setup{places: []*place{good, stuck}})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	run := func(p *place) { go p.station.Run(ctx) } //nolint:errcheck // it always returns nil

	run(good)
	a.prove(ctx, 50*time.Millisecond)
	if fed() {
		t.Error("fed although a station does not work")
	}
	if n := logs.FilterField(zap.String("station", "stuck")).Len(); n != 1 {
		t.Errorf("said %d times which station it is", n)
	}
	run(stuck)
	a.prove(ctx, 5*time.Second)
	if !fed() {
		t.Error("not fed although all stations work")
	}
	cancel()
	a.prove(ctx, time.Second)
	if n := logs.Len(); n != 1 {
		t.Errorf("%d errors; the end of the program is none", n)
	}
}

// lone is a station that does not run yet.
func lone(t *testing.T, id string) *place {
	t.Helper()
	p, err := profile.Load(os.DirFS("../../configs/profiles"), "invented-handset.yaml")
	if err != nil {
		t.Fatal(err)
	}
	s, err := station.New(station.Options{
		Engine: infer.New(p, infer.Station{ID: id, Hookup: bench.Hookup{Path: bench.FromSupply}}), Logger: zap.NewNop(),
	})
	if err != nil {
		t.Fatal(err)
	}
	return &place{plan: StationPlan{ID: id}, station: s}
}
