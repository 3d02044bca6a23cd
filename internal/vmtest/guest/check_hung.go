//go:build linux

package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim/usbip"
)

const (
	hubBusyAfter = time.Second      // the kernel has asked the hung device by then
	hangAtLeast  = 10 * time.Second // what the kernel must wait for it, or this proves nothing
	hangAtMost   = 60 * time.Second
	hungCycles   = 5
	dropLimit    = 2500 * time.Millisecond
)

// checkHung plugs a board that hangs in enumeration into the spare port, on
// the left board's root hub. While the kernel waits for it, and whoever asks
// the hub waits with it, the right station's changes and the left station's
// drop must be told as quickly as ever.
func checkHung(ctx context.Context, r *rig) (string, error) {
	if err := r.plugLeft(ctx); err != nil {
		return "", err
	}
	began := time.Now()
	hung := device(inRunning)
	hung.Mute = usbip.MuteConfiguration
	if err := r.spare.attach(hung); err != nil {
		return "", err
	}
	pause(ctx, hubBusyAfter)
	freed := make(chan time.Duration, 1)
	go func() {
		_, _ = attribute("/sys/bus/usb/devices/usb1/serial") // waits for the hub
		freed <- time.Since(began)
	}()
	worst, err := r.othersWhileHung(ctx)
	if err != nil {
		return "", err
	}
	select {
	case d := <-freed:
		return "", fmt.Errorf("the hub was busy for %s only: nothing was proven", millis(d))
	default:
	}
	d, err := hubFreed(ctx, freed)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("hub busy for %s; meanwhile uevent to event %s, to observation %s, drop told after %s, slowest page %s",
		millis(d), worst.events, worst.observations, millis(worst.drop), millis(worst.page)), r.spare.detach(ctx)
}

// plugLeft has a running board on the left, whose drop is to be told.
func (r *rig) plugLeft(ctx context.Context) error {
	if r.left.plug != nil {
		return nil // from the check before
	}
	r.supply.set(ampsRunning)
	return r.enter(ctx, r.left, inRunning, bench.Running, ampsRunning)
}

// hubFreed waits until the kernel has given the hung device up.
func hubFreed(ctx context.Context, freed <-chan time.Duration) (time.Duration, error) {
	ctx, cancel := context.WithTimeout(ctx, hangAtMost)
	defer cancel()
	select {
	case d := <-freed:
		if d < hangAtLeast {
			return d, fmt.Errorf("the hub was busy for %s only: nothing was proven", millis(d))
		}
		return d, nil
	case <-ctx.Done():
		return 0, fmt.Errorf("the hub is still busy: %w", ctx.Err())
	}
}

// delays are what the other stations met with.
type delays struct {
	events, observations samples
	drop, page           time.Duration
}

func (r *rig) othersWhileHung(ctx context.Context) (delays, error) {
	var d delays
	from, events, observations := r.mark(), len(r.toEvent), len(r.toObservation)
	for i := range hungCycles {
		if err := r.cycle(ctx, i+1); err != nil { // not the identity that it had before
			return d, fmt.Errorf("right station: %w", err)
		}
		page, err := timePage(ctx)
		if err != nil {
			return d, err
		}
		d.page = max(d.page, page)
	}
	if err := r.sawAll(ctx, from, r.right); err != nil {
		return d, err
	}
	d.events, d.observations = r.toEvent[events:], r.toObservation[observations:]
	if worst := max(d.events.quantile(1), d.observations.quantile(1)); worst > latencyLimit {
		return d, fmt.Errorf("right station: uevent to event %s, to observation %s", d.events, d.observations)
	}
	var err error
	d.drop, err = r.dropLeft(ctx)
	return d, err
}

// dropLeft cuts the left board's current and returns how long it took until
// the drop was told.
func (r *rig) dropLeft(ctx context.Context) (time.Duration, error) {
	from := r.mark()
	r.supply.set(0)
	cut := time.Now()
	e, err := r.event(ctx, from, r.left, bench.RunDropped, conclusion)
	if err != nil {
		return 0, fmt.Errorf("left station: %w", err)
	}
	took := e.at.Sub(cut)
	if took > dropLimit {
		return took, fmt.Errorf("left station: the drop was told after %s", millis(took))
	}
	return took, nil
}

// timePage fetches what people and monitors look at.
func timePage(ctx context.Context) (time.Duration, error) {
	began := time.Now()
	_, page := get(ctx, "/")
	_, ready := get(ctx, "/readyz")
	return time.Since(began), errors.Join(page, ready)
}
