package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/config"
	"benchvigil/internal/inhibit"
	"benchvigil/internal/ledger"
	"benchvigil/internal/logkey"
	"benchvigil/internal/supply"
	"benchvigil/internal/systemd"
	"benchvigil/internal/usb"
)

// RunOptions are what the command line adds to a configuration.
type RunOptions struct {
	Flags     map[string]string // values of configuration keys
	Events    string            // file that events are added to; empty: none
	Record    string            // file that observations are written to; empty: none
	Data      string            // folder of the ledger; empty: none is kept
	CheckOnly bool              // check the configuration, say on Out that it is good, and do nothing
	Out       io.Writer
	Reload    <-chan os.Signal // asks for the configuration to be read again; nil: never
	Version   string
	Logger    *zap.Logger
	Started   func(url string)
}

// RunConfig runs the bench that a configuration file describes until ctx ends.
// When the file or a profile changes, the bench follows.
func RunConfig(ctx context.Context, file string, o RunOptions) (err error) {
	c, p, err := read(file, o)
	if err != nil {
		return err
	}
	if o.CheckOnly {
		tried := *p
		tried.Logger = p.Logger.WithOptions(zap.IncreaseLevel(zap.WarnLevel))
		if _, err := newDesk(&tried, nil); err != nil {
			return err
		}
		if err := checkAccess(p); err != nil {
			return err
		}
		return sayGood(o.Out, file, len(c.Stations))
	}
	if p.Service, err = systemd.FromEnvironment(); err != nil {
		return err
	}
	follow := func(string) {}
	if w, err := config.Watch(file, c.Profiles); err != nil {
		o.Logger.Warn("changes of the configuration are not noticed: after one, send SIGHUP", logkey.Err(err))
	} else {
		defer w.Close() //nolint:errcheck // it only ever read
		follow, p.Reload.Changed = w.Follow, w.Changed()
	}
	p.Reload.Asked = o.Reload
	p.Reload.Load = func() (*Plan, error) {
		c, p, err := read(file, o)
		if err == nil {
			follow(c.Profiles)
		}
		return p, err
	}
	return Run(ctx, p)
}

func sayGood(out io.Writer, file string, stations int) error {
	noun := "stations"
	if stations == 1 {
		noun = "station"
	}
	_, err := fmt.Fprintf(out, "%s: the configuration is good: %d %s\n", file, stations, noun)
	return err
}

func read(file string, o RunOptions) (config.Config, *Plan, error) {
	c, err := config.LoadWith(file, o.Flags)
	if errors.Is(err, fs.ErrNotExist) {
		err = fmt.Errorf("%w: make one with benchvigil enroll, or name yours with --config", err)
	}
	if err != nil {
		return c, nil, fmt.Errorf("%w: %w", ErrConfig, err)
	}
	p, err := configured(c, o)
	return c, p, err
}

func configured(c config.Config, o RunOptions) (*Plan, error) {
	scan, err := childScan()
	if err != nil {
		return nil, err
	}
	root := os.DirFS(c.USB.Sysfs)
	way := usb.Choose(root, runtime.GOOS)
	if c.USB.Scan == 0 && way != usb.ByScans {
		scan = nil // "off" is about the cross-check, not about the only way to see
	}
	p := &Plan{
		From: c, Bench: c.Bench, Listen: c.Listen, Version: o.Version, Events: o.Events, Record: o.Record, Data: o.Data, Retain: ledger.Retention{Age: c.Traces.Keep, Bytes: c.Traces.Size}, Started: o.Started, Logger: o.Logger, Boot: bootID(),
		USB: usb.Options{
			Sysfs: root, Way: way, Listen: usb.ListenKernel, Scan: scan, Rescan: c.USB.Rescan, ScanEvery: c.USB.Scan,
		},
	}
	if c.InhibitSleep {
		p.Awake = inhibit.Logind
	}
	for _, s := range c.Stations {
		p.Stations = append(p.Stations, stationPlan(s))
	}
	return p, nil
}

func stationPlan(s config.Station) StationPlan {
	sp := StationPlan{ID: s.ID, Name: s.Name, Port: s.Port, Hookup: s.Hookup(), Profile: s.Profile, Window: s.Window, Auto: s.Auto}
	if a, ok := s.Supply.Get(); ok {
		o := supplyOptions(a, "")
		sp.Supply = &o
	}
	if a, ok := s.VBUSMeter.Get(); ok {
		sp.Meters = append(sp.Meters, supplyOptions(a, bench.ChannelVBUS))
	}
	if a, ok := s.Thermometer.Get(); ok {
		sp.Meters = append(sp.Meters, supplyOptions(a, bench.ChannelThermometer))
	}
	return sp
}

func supplyOptions(a config.Supply, channel string) supply.Options {
	return supply.Options{
		Channel: channel, Address: a.Address, Query: a.Query, VoltsQuery: a.VoltsQuery, AmpsQuery: a.AmpsQuery,
		OutputQuery: a.OutputQuery, SetVoltsQuery: a.SetVoltsQuery, LimitQuery: a.LimitQuery,
		TemperatureQuery: a.TemperatureQuery, Select: a.Select, Pattern: a.Pattern,
		Every: a.Every, Timeout: a.Timeout,
	}
}
