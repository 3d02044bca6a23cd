package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"

	"benchvigil/internal/bench"
	"benchvigil/internal/checkup"
	"benchvigil/internal/config"
	"benchvigil/internal/inhibit"
	"benchvigil/internal/usb"
)

// CheckOptions are what the command line says about a checkup.
type CheckOptions struct {
	Config string // file
	Folder string // where the record goes
	Root   string // stands for the root of the computer's files
	JSON   bool
	Out    io.Writer
}

// Check looks whether a bench can be watched through a long job and prints
// what it found. Something that failed is an error, of ErrConfig or ErrHardware
// where that is the cause.
func Check(ctx context.Context, o CheckOptions) error {
	c, problem := config.Load(o.Config)
	scan, err := childScan()
	if err != nil {
		return err
	}
	b := checkedBench(c, problem, o)
	if problem == nil {
		lookAtRunning(ctx, c.Listen, b.Stations)
	}
	results := checkup.Run(ctx, b, checkup.System{
		OS: runtime.GOOS, Root: os.DirFS(o.Root), Sysfs: os.DirFS(sysfsOf(c)), Listen: usb.ListenKernel, Scan: scan,
		Hold: inhibit.Logind, Free: checkup.FreeSpace, Clock: checkup.KernelClock,
	})
	show := checkup.Print
	if o.JSON {
		show = checkup.PrintJSON
	}
	if err := errors.Join(ctx.Err(), show(o.Out, results)); err != nil {
		return err
	}
	return failure(results)
}

func checkedBench(c config.Config, problem error, o CheckOptions) checkup.Bench {
	b := checkup.Bench{File: o.Config, Problem: problem, CrossRef: c.USB.Scan > 0, Awake: problem != nil || c.InhibitSleep, Folder: o.Folder}
	for _, s := range c.Stations {
		p := stationPlan(s)
		st := checkup.Station{ID: p.ID, Port: p.Port, Profile: p.Profile}
		if p.Supply != nil {
			so := *p.Supply
			so.Station = p.ID
			st.Supplies = append(st.Supplies, so)
		}
		b.Stations = append(b.Stations, st)
	}
	return b
}

// lookAtRunning asks a benchvigil that runs what it sees, if there is one.
func lookAtRunning(ctx context.Context, listen string, stations []checkup.Station) {
	c, err := newClient("http://" + listen)
	if err != nil {
		return
	}
	all, _, err := c.stations(ctx)
	if err != nil {
		return // the usual case: none runs
	}
	for _, s := range all {
		i := slices.IndexFunc(stations, func(st checkup.Station) bool { return st.ID == s.Station })
		if i < 0 {
			continue
		}
		w := checkup.Watched{Lost: !s.SupplyLostSince.IsZero(), Error: s.SupplyError}
		if s.Reading != nil {
			w.Power = bench.Power{Volts: s.Reading.Volts, Amps: s.Reading.Amps}
		}
		stations[i].Watched = &w
	}
}

// sysfsOf is the kernel's device tree, also where the configuration cannot be
// read.
func sysfsOf(c config.Config) string {
	return cmp.Or(c.USB.Sysfs, os.Getenv(config.EnvName("usb.sysfs")), config.DefaultSysfs)
}

func failure(results []checkup.Result) error {
	cause, ok := checkup.Worst(results)
	switch {
	case ok:
		return nil
	case cause == checkup.Config:
		return fmt.Errorf("%w: see what failed", ErrConfig)
	case cause == checkup.Hardware:
		return fmt.Errorf("%w: see what failed", ErrHardware)
	}
	return errors.New("this computer is not fit for a long job: see what failed")
}
