//go:build linux

package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim/usbip"
	"benchvigil/internal/unit"
)

// Currents in the bands of testdata/profiles/vm-handset.yaml.
const (
	ampsStarting  = 500 * unit.Milliampere
	ampsRecovery  = 400 * unit.Milliampere
	ampsRestoring = 800 * unit.Milliampere
	ampsRunning   = 600 * unit.Milliampere
)

// Pace of the life.
const (
	dwell       = 2 * time.Second
	restoreGap  = 2 * time.Second  // the profile allows 10 s
	windowLimit = 40 * time.Second // its window is 20 s
)

func checkBoot(_ context.Context, r *rig) (string, error) {
	for _, s := range append(r.sockets(), r.serial.at, r.usbtmc.at) {
		path, err := usbip.PortPath(s.port)
		if err != nil {
			return "", err
		}
		if path != s.path {
			return "", fmt.Errorf("%+v is port %s, the configuration says %s", s.port, path, s.path)
		}
	}
	release, err := attribute("/proc/sys/kernel/osrelease")
	if err != nil {
		return "", err
	}
	up, err := attribute("/proc/uptime")
	if err != nil {
		return "", err
	}
	up, _, _ = strings.Cut(up, " ")
	return fmt.Sprintf("kernel %s, %d modules, up after %s s", release, r.modules, up), nil
}

// checkStart starts the daemon on a bench whose supply gives nothing.
func checkStart(ctx context.Context, r *rig) (string, error) {
	go follow(ctx, eventsFile, r.events, parseEvent)
	go follow(ctx, recordingFile, r.observations, parseObservation)
	began := time.Now()
	var err error
	if r.daemon, err = startDaemon(ctx); err != nil {
		return "", err
	}
	ready := time.Since(began)
	off, err := r.event(ctx, span{}, r.left, bench.ModeChanged, conclusion)
	if err != nil {
		return "", err
	}
	if off.v.facts.To != string(bench.Off) {
		return "", fmt.Errorf("a board without power is in mode %s", off.v.facts.To)
	}
	for _, s := range r.sockets() {
		if err := r.saidEmpty(ctx, s); err != nil {
			return "", err
		}
	}
	return fmt.Sprintf("ready after %s", millis(ready)), r.shows(ctx, r.left, bench.Off, false)
}

// saidEmpty waits for the first word about a port with nothing in it.
func (r *rig) saidEmpty(ctx context.Context, s *socket) error {
	_, err := r.observations.wait(ctx, 0, conclusion, "observation of the empty port of "+s.station, func(o observation) bool {
		return o.Station == s.station && o.USB != nil && o.USB.Change == string(bench.USBRemove) && o.USB.Port == s.path
	})
	return err
}

// checkLife leads a board through its life: absent, starting, recovery,
// restoring with a gap, running past its window, gone.
func checkLife(ctx context.Context, r *rig) (string, error) {
	r.life = r.mark()
	for _, stage := range []func(context.Context) error{r.powerUp, r.recover, r.restore, r.interrupt, r.comeUp, r.die} {
		if err := stage(ctx); err != nil {
			return "", fmt.Errorf("%w; so far %q", err, r.told(r.life, r.left))
		}
	}
	got := r.told(r.life, r.left)
	met := slices.IndexFunc(got, func(s string) bool { return strings.HasPrefix(s, "window.met") })
	died := slices.Index(got, "run.dropped died in running")
	if met < 0 || met > died {
		return "", fmt.Errorf("no window.met before the end: %q", got)
	}
	if want := wantLife(); !slices.Equal(slices.Delete(slices.Clone(got), met, met+1), want) {
		return "", fmt.Errorf("got %q, want %q and a window.met", got, want)
	}
	return fmt.Sprintf("%d events in order", len(got)), r.shows(ctx, r.left, bench.Off, false)
}

// wantLife is the life in events; window.met comes somewhere among them.
func wantLife() []string {
	return []string{
		"run.started",
		"mode.changed off to starting",
		"mode.changed starting to recovery",
		"run.restarted in recovery",
		"mode.changed recovery to restoring",
		"run.restarted in restoring",
		"run.restarted in restoring",
		"mode.changed restoring to running",
		"run.dropped died in running",
		"mode.changed running to off",
	}
}

// told lists the events of s in short, without run.down: that one comes only
// where the kind of a drop takes its time, which a slow machine decides.
func (r *rig) told(from span, s *socket) []string {
	var list []string
	for _, e := range r.events.since(from.events) {
		if e.v.of(s) && e.v.Type != string(bench.RunDown) {
			list = append(list, e.v.brief())
		}
	}
	return list
}

// brief is an event's type and what went from where to where.
func (e event) brief() string {
	words := []string{strings.TrimPrefix(e.Type, "benchvigil.")}
	switch {
	case e.Type == string(bench.ModeChanged):
		words = append(words, e.facts.From, "to", e.facts.To)
	case e.facts.Mode != "":
		words = append(words, e.facts.Kind, "in", e.facts.Mode)
	}
	return strings.Join(strings.Fields(strings.Join(words, " ")), " ")
}

func (r *rig) powerUp(ctx context.Context) error {
	r.supply.set(ampsStarting)
	_, err := r.event(ctx, r.life, r.left, bench.RunStarted, conclusion)
	pause(ctx, dwell)
	return err
}

func (r *rig) recover(ctx context.Context) error {
	return r.enter(ctx, r.left, inRecovery, bench.Recovery, ampsRecovery)
}

func (r *rig) restore(ctx context.Context) error {
	if err := r.pull(ctx, r.left); err != nil {
		return err
	}
	return r.enter(ctx, r.left, inRestoring, bench.Restoring, ampsRestoring)
}

// interrupt is an absence within the restore: the device is back, with the
// same identity, before the mode's gap is over.
func (r *rig) interrupt(ctx context.Context) error {
	from := r.mark()
	if err := r.pull(ctx, r.left); err != nil {
		return err
	}
	pause(ctx, restoreGap)
	added, err := r.plugIn(ctx, r.left, inRestoring)
	if err != nil {
		return err
	}
	e, err := r.event(ctx, from, r.left, bench.RunRestarted, conclusion)
	if err != nil {
		return err
	}
	r.toEvent.add(e.at.Sub(added))
	pause(ctx, dwell)
	return nil
}

func (r *rig) comeUp(ctx context.Context) error {
	if err := r.pull(ctx, r.left); err != nil {
		return err
	}
	if err := r.enter(ctx, r.left, inRunning, bench.Running, ampsRunning); err != nil {
		return err
	}
	_, err := r.event(ctx, r.life, r.left, bench.WindowMet, windowLimit)
	return err
}

func (r *rig) die(ctx context.Context) error {
	from := r.mark()
	r.supply.set(0)
	if err := r.pull(ctx, r.left); err != nil {
		return err
	}
	_, err := r.event(ctx, from, r.left, bench.ModeChanged, conclusion)
	return err
}

// enter plugs the board in under an identity and waits for the mode.
func (r *rig) enter(ctx context.Context, s *socket, id bench.USBID, mode bench.Mode, amps unit.Current) error {
	from := r.mark()
	added, err := r.plugIn(ctx, s, id)
	if err != nil {
		return err
	}
	if s.supply != nil {
		s.supply.set(amps)
	}
	if err := r.modeEvent(ctx, from, s, mode, added); err != nil {
		return err
	}
	pause(ctx, dwell)
	return nil
}

// checkPortPath holds what was observed of the life against what was done.
func checkPortPath(ctx context.Context, r *rig) (string, error) {
	if err := r.sawAll(ctx, r.life, r.sockets()...); err != nil {
		return "", err
	}
	serial := slices.ContainsFunc(r.observations.since(r.life.observations), func(o seen[observation]) bool {
		return o.v.USB != nil && o.v.USB.Change == string(bench.USBDetails) && o.v.USB.Serial == "BV-0001"
	})
	if !serial {
		return "", errors.New("the serial number was never read")
	}
	return fmt.Sprintf("%d changes on %s, none elsewhere; serial number read aside", len(r.left.did), r.left.path), nil
}
