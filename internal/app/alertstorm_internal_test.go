package app

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/alert/dispatch"
	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/unit"
)

// The storm: the mains of a bench flicker, and every board resets again and again.
const (
	stormStations = 40
	stormRounds   = 50
	stormEvents   = 5 // of a station in a round
)

// TestStorm takes ten thousand events from forty stations through the desk and a
// ledger on disk: people get a handful of messages, and all is in the ledger.
func TestStorm(t *testing.T) {
	t.Parallel()
	r := newBench(t)
	text := "outlets: {phone: {kind: publish, url: \"http://phone.example/x\"}}\nstations:\n"
	for i := range stormStations {
		text += fmt.Sprintf("  - {id: s%02d, profile: invented-handset, supply: {address: \"tcp://127.0.0.1:%d\"}}\n", i, i+1)
	}
	r.configure(text)
	d, l, err := deskOf(r.dir, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	phone := &ear{}
	d.post.Replace(map[string]dispatch.Outlet{"phone": phone}, d.ways.Load().limits)
	ctx, cancel := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { _ = d.post.Run(ctx) })

	began := time.Now()
	var storm sync.WaitGroup
	for i := range stormStations {
		storm.Go(func() { flicker(d, fmt.Sprintf("s%02d", i), began) })
	}
	storm.Wait()
	took := time.Since(began)
	Eventually(t, 30*time.Second, "nothing is left in the outbox", func() bool {
		left, err := l.Due(t.Context(), time.Now().Add(time.Hour), 1)
		return err == nil && len(left) == 0
	})
	cancel()
	running.Wait()

	n := 0
	for e, err := range l.Events(t.Context(), ledger.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if !e.Type.IsAlert() {
			n++
		}
	}
	if want := stormStations * stormRounds * stormEvents; n != want {
		t.Errorf("%d events in the ledger, want %d", n, want)
	}
	told, rings := phone.take(), 0
	for _, h := range told {
		if !h.m.Quiet() {
			rings++
		}
	}
	t.Logf("%d events in %v: %d messages, %d of them ring: %v", n, took.Round(time.Millisecond), len(told), rings, says(told))
	if rings > 6 || len(told) > 20 || !slices.ContainsFunc(told, func(h heard) bool { return h.m.Alert.Kind == bench.AlertPowerLost }) {
		t.Error("want a handful of messages, and the common cause among them")
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
}

// flicker has a station reset every two seconds of bench time.
func flicker(d *desk, id string, began time.Time) {
	count := uint64(0)
	for round := range stormRounds {
		at := began.Add(time.Duration(round) * 2 * time.Second).Truncate(time.Millisecond)
		event := func(what bench.EventType, after time.Duration, data bench.EventData) bench.Event {
			count++
			return bench.Event{Station: id, Type: what, Time: at, Concluded: at.Add(after), Count: count, Data: data}
		}
		up := bench.EventData{Mode: bench.Running, Uptime: unit.Some(2 * time.Second)}
		d.tell([]bench.Event{event(bench.RunDown, 200*time.Millisecond, up)}, nil)
		up.Kind = bench.Reset
		d.tell([]bench.Event{
			event(bench.RunDropped, 500*time.Millisecond, up), event(bench.WindowMissed, 500*time.Millisecond, up),
			event(bench.ModeChanged, 500*time.Millisecond, bench.EventData{From: bench.Running, To: bench.Off}),
		}, nil)
		d.tell([]bench.Event{event(bench.RunStarted, 600*time.Millisecond, bench.EventData{})}, nil)
	}
}
