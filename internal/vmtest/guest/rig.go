//go:build linux

package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim/usbip"
)

// rig is the whole bench: three ports, a supply, benchvigil and the witness.
type rig struct {
	modules int
	// The left station has the supply. The right one is on another host
	// controller; the spare one shares the left one's root hub.
	left, right, spare *socket
	supply             *supply
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

// span is a part of the tapes.
type span struct{ events, observations int }

// spareControllers is how many host controllers the bench does without: each
// costs time in every enumeration.
var spareControllers = []int{2, 3, 4, 5, 6, 7}

func newRig() (*rig, error) {
	r := &rig{
		left:         &socket{station: "s1", port: usbip.Port{Controller: 0, Index: 0}, path: "1-1"},
		right:        &socket{station: "s2", port: usbip.Port{Controller: 1, Index: 0}, path: "3-1"},
		spare:        &socket{station: "s3", port: usbip.Port{Controller: 0, Index: 1}, path: "1-2"},
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
	r.supply, err = startSupply()
	return r, err
}

func unbindSpares() error {
	var errs []error
	for _, n := range spareControllers {
		errs = append(errs, os.WriteFile("/sys/bus/platform/drivers/vhci_hcd/unbind", fmt.Appendf(nil, "vhci_hcd.%d", n), 0))
	}
	return errors.Join(errs...)
}

// sockets lists the bench's ports.
func (r *rig) sockets() []*socket { return []*socket{r.left, r.right, r.spare} }

// clear empties the bench after a check that failed half-way.
func (r *rig) clear(ctx context.Context) {
	r.supply.set(0)
	for _, s := range r.sockets() {
		if s.plug == nil {
			continue
		}
		if err := s.detach(ctx); err != nil {
			fmt.Println("guest: clear:", err)
		}
	}
}

// mark is the place on the tapes where what follows will be.
func (r *rig) mark() span { return span{r.events.mark(), r.observations.mark()} }

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

// change waits for the observation of a USB change of s, and keeps how long
// it took since told, the uevent.
func (r *rig) change(ctx context.Context, from span, s *socket, change bench.USBChange, told time.Time) error {
	o, err := r.observations.wait(ctx, from.observations, conclusion, fmt.Sprintf("observation %s of %s", change, s.station), func(o observation) bool {
		return o.Station == s.station && o.USB != nil && o.USB.Change == string(change)
	})
	if err != nil {
		return err
	}
	r.toObservation.add(max(0, o.v.At.Sub(told))) // At is cut to the millisecond
	return nil
}

// conclusion is the longest that any conclusion may take here; the limit on
// latencies is checked over all of them.
const conclusion = 10 * time.Second

// of reports that the event is about the station of s.
func (e event) of(s *socket) bool { return filepath.Base(e.Source) == s.station }
