//go:build linux

package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim/usbip"
)

// rig is the whole bench: ports, supplies, benchvigil and the witness.
type rig struct {
	modules int
	// The left station has the supply. The right one is on another host
	// controller; the spare one shares the left one's root hub.
	left, right, spare *socket
	supply             *supply
	serial, usbtmc     *instrument
	daemon             *daemon
	uevents            *tape[uevent]
	events             *tape[event]
	observations       *tape[observation]
	life               span    // what the left station's life left on the tapes
	shown              span    // what showFailure has shown
	shownLog           int     // bytes
	toEvent            samples // from the uevent add to the event it leads to
	toObservation      samples // from a uevent to the observation of it
}

// span is a part of the tapes, from a moment on, and of what was done on each
// station since.
type span struct {
	at                   time.Time
	events, observations int
	did                  map[string]int
}

// spareControllers is how many host controllers the bench does without: each
// costs time in every enumeration.
var spareControllers = []int{2, 3, 4, 5, 6, 7}

func newRig() (*rig, error) {
	tcp := &supply{}
	r := &rig{
		left:         &socket{station: "s1", supply: tcp, port: usbip.Port{Controller: 0, Index: 0}, path: "1-1"},
		right:        &socket{station: "s2", port: usbip.Port{Controller: 1, Index: 0}, path: "3-1"},
		spare:        &socket{station: "s3", port: usbip.Port{Controller: 0, Index: 1}, path: "1-2"},
		supply:       tcp,
		uevents:      newTape[uevent](),
		events:       newTape[event](),
		observations: newTape[observation](),
	}
	if err := watchUevents(r.uevents); err != nil {
		return nil, err
	}
	var err error
	if r.modules, err = loadModules(); err != nil {
		return nil, err
	}
	if err := unbindSpares(); err != nil {
		return nil, err
	}
	if err := loopbackUp(); err != nil {
		return nil, err
	}
	return r, errors.Join(r.supply.listen(), r.makeInstruments())
}

func unbindSpares() error {
	var errs []error
	for _, n := range spareControllers {
		errs = append(errs, os.WriteFile("/sys/bus/platform/drivers/vhci_hcd/unbind", fmt.Appendf(nil, "vhci_hcd.%d", n), 0))
	}
	return errors.Join(errs...)
}

// sockets lists the ports of the bench's boards.
func (r *rig) sockets() []*socket {
	return []*socket{r.left, r.right, r.spare, r.serial.board, r.usbtmc.board}
}

// forgotten is how long an empty bench takes until every board on it is known to
// be gone, longer than any gap of the profile but that of the restore.
const forgotten = 6 * time.Second

// clear empties the bench after a check that failed half-way, and waits until
// the next check's boards are new ones.
func (r *rig) clear(ctx context.Context) {
	for _, s := range r.sockets() {
		if s.supply != nil {
			s.supply.set(0)
		}
		if s.plug == nil {
			continue
		}
		if err := s.detach(ctx); err != nil {
			fmt.Println("guest: clear:", err)
		}
	}
	if r.daemon != nil {
		pause(ctx, forgotten)
	}
}

// mark is the place on the tapes where what follows will be.
func (r *rig) mark() span {
	did := map[string]int{}
	for _, s := range r.sockets() {
		did[s.station] = len(s.did)
	}
	return span{time.Now().Truncate(time.Millisecond), r.events.mark(), r.observations.mark(), did}
}

// modeEvent waits for the event that s has entered a mode, and keeps how long
// it took since added, the uevent that it follows from.
func (r *rig) modeEvent(ctx context.Context, from span, s *socket, mode bench.Mode, added time.Time) error {
	e, err := r.events.wait(ctx, from.events, conclusion, fmt.Sprintf("mode.changed of %s to %s", s.station, mode), func(e event) bool {
		return e.of(s) && e.Type == string(bench.ModeChanged) && e.facts.To == string(mode)
	})
	if err != nil {
		return err
	}
	r.toEvent.add(e.at.Sub(added))
	return nil
}

// event waits for an event of s.
func (r *rig) event(ctx context.Context, from span, s *socket, kind bench.EventType, limit time.Duration) (seen[event], error) {
	return r.events.wait(ctx, from.events, limit, fmt.Sprintf("%s of %s", kind, s.station), func(e event) bool {
		return e.of(s) && e.Type == string(kind)
	})
}

// sawAll waits until everything that was done on the given ports since from
// has been observed, and nothing else, and keeps how long each took.
func (r *rig) sawAll(ctx context.Context, from span, ports ...*socket) error {
	pause(ctx, recordLag)
	for _, s := range ports {
		if err := r.saw(ctx, from, s); err != nil {
			return err
		}
	}
	return nil
}

func (r *rig) saw(ctx context.Context, from span, s *socket) error {
	want := s.did[from.did[s.station]:]
	ctx, cancel := context.WithTimeout(ctx, conclusion)
	defer cancel()
	got := r.changes(from, s)
	for len(got) < len(want) && ctx.Err() == nil {
		pause(ctx, recordPoll)
		got = r.changes(from, s)
	}
	if !slices.EqualFunc(got, want, func(a, b change) bool { return a.what == b.what }) {
		return fmt.Errorf("observed %q, done %q", whats(got), whats(want))
	}
	for i := range want {
		r.toObservation.add(max(0, got[i].at.Sub(want[i].at))) // observed to the millisecond
	}
	return nil
}

// The recording is written about once a second: a shorter wait could miss an
// observation too many.
const (
	recordLag  = 1500 * time.Millisecond
	recordPoll = 50 * time.Millisecond
)

// changes lists what was observed of devices coming and going on the station
// of s. A change said again counts once: a rescan repeats what stands there.
func (r *rig) changes(from span, s *socket) []change {
	var list []change
	for _, o := range r.observations.since(from.observations) {
		u := o.v.USB
		if o.v.Station != s.station || u == nil || u.Change == string(bench.USBDetails) || o.v.At.Before(from.at) {
			continue
		}
		what := u.Change + " " + u.Port
		if u.Change == string(bench.USBAdd) {
			what += " " + u.Vendor + ":" + u.Product
		}
		list = append(list, change{what, o.v.At})
	}
	return slices.CompactFunc(list, func(a, b change) bool { return a.what == b.what })
}

func whats(list []change) []string {
	var w []string
	for _, c := range list {
		w = append(w, c.what)
	}
	return w
}

// shows waits until the daemon's metrics show s in a mode, with or without a
// device: what anybody who looks now would see.
func (r *rig) shows(ctx context.Context, s *socket, mode bench.Mode, present bool) error {
	ctx, cancel := context.WithTimeout(ctx, conclusion)
	defer cancel()
	station, want := label("station", s.station), map[bool]float64{true: 1}[present]
	for {
		in, err1 := metric(ctx, metricMode, station, label("mode", string(mode)))
		there, err2 := metric(ctx, metricPresent, station)
		if err := errors.Join(err1, err2); err != nil {
			return err
		}
		if in == 1 && there == want {
			return nil
		}
		if pause(ctx, recordPoll); ctx.Err() != nil {
			return fmt.Errorf("station %s is not shown in %s with usb_present %v, which is %v", s.station, mode, want, there)
		}
	}
}

func label(name, value string) string { return fmt.Sprintf("%s=%q", name, value) }

// conclusion is the longest that any conclusion may take here; the limit on
// latencies is checked over all of them.
const conclusion = 10 * time.Second

// of reports that the event is about the station of s.
func (e event) of(s *socket) bool { return filepath.Base(e.Source) == s.station }
