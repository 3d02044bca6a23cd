package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"time"

	"go.uber.org/zap"

	"benchvigil/configs"
	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/logkey"
	"benchvigil/internal/profile"
	"benchvigil/internal/sim"
	"benchvigil/internal/sim/play"
	"benchvigil/internal/supply"
	"benchvigil/internal/usb"
)

// DemoOptions say how to show a simulated bench.
type DemoOptions struct {
	Stations int     // how many, going round the stories
	Speed    float64 // how many times as fast time runs
	Data     string  // folder for ledger, events and observations; empty: a ledger in a folder that goes with the demo
	Listen   string  // loopback address; port 0 takes a free one
	Fallback bool    // take a free port when the one in Listen is taken
	Once     bool    // play each story once, not over and over
	Version  string
	Out      io.Writer // the address of the page, first of all
	Logger   *zap.Logger
}

// The limits of a demo.
const (
	mostDemoStations = 40
	mostDemoSpeed    = 60
	// demoLeast is the shortest real time between two readings: at high speed
	// the readings are fewer per bench second instead of more per real one.
	demoLeast = 10 * time.Millisecond
)

func (o *DemoOptions) validate() error {
	switch {
	case o.Stations < 1 || o.Stations > mostDemoStations:
		return fmt.Errorf("%w: %d stations: from 1 to %d can be simulated", ErrCommand, o.Stations, mostDemoStations)
	case !(o.Speed >= 0.1 && o.Speed <= mostDemoSpeed):
		return fmt.Errorf("%w: speed %g: want 0.1 to %d", ErrCommand, o.Speed, mostDemoSpeed)
	}
	host, _, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return fmt.Errorf("%w: listen %q: %w", ErrCommand, o.Listen, err)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return fmt.Errorf("%w: listen %q: the demo serves this computer only: use 127.0.0.1", ErrCommand, o.Listen)
	}
	return nil
}

// Demo plays a simulated bench and watches it in earnest until ctx ends.
func Demo(ctx context.Context, o DemoOptions) (err error) {
	if err := o.validate(); err != nil {
		return err
	}
	b, err := play.New(play.Options{Stations: o.Stations, Stories: sim.Scenarios(), Speed: o.Speed, Once: o.Once})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	p, err := demoPlan(&o, b)
	if err != nil {
		return err
	}
	if p.Data == "" {
		if p.Data, err = os.MkdirTemp("", "benchvigil-demo-"); err != nil {
			return fmt.Errorf("%w: %w", ErrRecord, err)
		}
		defer func() { err = errors.Join(err, os.RemoveAll(p.Data)) }()
		p.Retain = demoKept
		o.Logger.Info("the demo keeps its ledger in a folder that it removes at its end; --data keeps one", logkey.File(p.Data))
	}
	return Run(ctx, p)
}

// demoKept bounds what a demo leaves in the folder for temporary files.
var demoKept = ledger.Retention{Bytes: 256 << 20}

func demoPlan(o *DemoOptions, b *play.Bench) (*Plan, error) {
	handset, err := profile.Load(configs.Profiles(), "invented-handset.yaml")
	if err != nil {
		return nil, err
	}
	p := &Plan{
		Bench: "demo", Listen: o.address(), Version: o.Version, Now: b.Clock.Now, Logger: o.Logger,
		Banner: demoBanner(o.Speed),
		USB: usb.Options{
			Sysfs: b.USB, Listen: b.USB.Listen, Scan: b.USB.Devices,
			Rescan: b.Clock.Real(3*time.Second, 500*time.Millisecond), Traffic: b.Clock.Real(time.Second, 100*time.Millisecond),
			Poll: demoLeast,
		},
		Extra: []Source{b},
		Started: func(url string) {
			fmt.Fprintf(o.Out, "Open %s/ to see the bench. Ctrl-C ends the demo.\n", url) //nolint:errcheck // nobody is there to be told
		},
	}
	for _, st := range b.Stations {
		p.Stations = append(p.Stations, demoStation(st, handset, b.Clock))
	}
	return p, p.keepIn(o.Data)
}

func demoStation(st *play.Station, handset *profile.Profile, c play.Clock) StationPlan {
	sp := StationPlan{ID: st.ID, Name: st.Scenario.Title, Port: st.Port, Hookup: st.Scenario.Hookup, Profile: handset, Auto: []bench.Mode{bench.Restoring, bench.RePairing}}
	if st.Scenario.Hookup.Path == bench.FromSupply {
		sp.Supply = &supply.Options{
			Address: st.Supply, OutputQuery: "OUTP?", SetVoltsQuery: "VOLT?", LimitQuery: "CURR?",
			Every: c.Real(100*time.Millisecond, demoLeast), Timeout: c.Real(500*time.Millisecond, 100*time.Millisecond),
		}
	}
	return sp
}

func demoBanner(speed float64) string {
	if speed == 1 {
		return "A simulated bench: invented boards, nothing here is real."
	}
	return fmt.Sprintf("A simulated bench: invented boards, and time runs %g times as fast.", speed)
}

// address is where the page will be: as asked, or on a free port when the
// usual one is taken and nobody insisted on it.
func (o *DemoOptions) address() string {
	if !o.Fallback {
		return o.Listen
	}
	l, err := (&net.ListenConfig{}).Listen(context.Background(), "tcp", o.Listen)
	if err != nil {
		host, _, _ := net.SplitHostPort(o.Listen)
		return net.JoinHostPort(host, "0")
	}
	_ = l.Close()
	return o.Listen
}

// keepIn makes the plan write its record into a folder.
func (p *Plan) keepIn(dir string) error {
	if dir == "" {
		return nil
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("%w: %w", ErrRecord, err)
	}
	p.Data = dir
	p.Events = filepath.Join(dir, "events.jsonl")
	p.Record = filepath.Join(dir, "observations-"+time.Now().UTC().Format("20060102T150405.000Z")+".jsonl")
	return nil
}
