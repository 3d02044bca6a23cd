//go:build linux

package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"benchvigil/internal/bench"
)

const (
	cycles       = 20
	stormSize    = 3000    // at least
	overrunLimit = 200_000 // a socket buffer of 16 MiB holds some 26,000
	linkLost     = 10 * time.Second
	latencyLimit = 2500 * time.Millisecond
	rescanWithin = 15 * time.Second
	calmFor      = 250 * time.Millisecond
	calmWithin   = time.Minute // a busy host reads a full socket's backlog in 10 s and more
)

// checkCycles plugs and unplugs the right station's board again and again,
// under two identities in turn.
func checkCycles(ctx context.Context, r *rig) (string, error) {
	from := r.mark()
	for i := range cycles {
		if err := r.cycle(ctx, i); err != nil {
			return "", fmt.Errorf("cycle %d: %w", i+1, err)
		}
	}
	if err := r.sawAll(ctx, from, r.right); err != nil {
		return "", err
	}
	drop, err := r.event(ctx, from, r.right, bench.RunDropped, linkLost)
	if err != nil {
		return "", err
	}
	if drop.v.facts.Kind != bench.LinkLost {
		return "", fmt.Errorf("a board that only USB tells of dropped as %q, want %s", drop.v.facts.Kind, bench.LinkLost)
	}
	return fmt.Sprintf("%d cycles, every change seen, then %s", cycles, drop.v.facts.Kind), r.shows(ctx, r.right, bench.Unknown, false)
}

// identity alternates, so that every cycle changes the mode.
func identity(i int) (bench.USBID, bench.Mode) {
	if i%2 == 1 {
		return inRunning, bench.Running
	}
	return inRecovery, bench.Recovery
}

// cycle is one time in and out, under the i-th identity.
func (r *rig) cycle(ctx context.Context, i int) error {
	id, mode := identity(i)
	from := r.mark()
	added, err := r.plugIn(ctx, r.right, id)
	if err != nil {
		return err
	}
	if err := r.modeEvent(ctx, from, r.right, mode, added); err != nil {
		return err
	}
	return r.pull(ctx, r.right)
}

// checkLatency judges what the checks before it have measured.
func checkLatency(_ context.Context, r *rig) (string, error) {
	detail := fmt.Sprintf("uevent to event %s; uevent to observation %s", r.toEvent, r.toObservation)
	if len(r.toEvent) < cycles || len(r.toObservation) < 2*cycles {
		return "", fmt.Errorf("too few samples: %s", detail)
	}
	if late := max(r.toEvent.quantile(0.95), r.toObservation.quantile(0.95)); late > latencyLimit {
		return "", fmt.Errorf("p95 over %s: %s", millis(latencyLimit), detail)
	}
	return detail, nil
}

// checkStorm hides two changes of the right station's board in a storm of
// synthetic uevents of the left one's.
func checkStorm(ctx context.Context, r *rig) (string, error) {
	if err := r.plugBoth(ctx); err != nil {
		return "", err
	}
	from := r.mark()
	before, err := metric(ctx, metricUevents)
	if err != nil {
		return "", err
	}
	began := time.Now()
	n, err := r.stormDuring(func() error { return r.swap(ctx, r.right, inRecovery) })
	if err != nil {
		return "", err
	}
	took := time.Since(began)
	if _, err := r.event(ctx, from, r.right, bench.ModeChanged, conclusion); err != nil {
		return "", err
	}
	if err := r.countedUevents(ctx, before+float64(n)); err != nil {
		return "", err
	}
	if err := r.sawAll(ctx, from, r.sockets()...); err != nil {
		return "", err
	}
	if err := r.droppedNothing(ctx); err != nil {
		return "", err
	}
	return fmt.Sprintf("%d uevents in %s, both changes seen", n, millis(took)),
		errors.Join(r.shows(ctx, r.right, bench.Recovery, true), r.shows(ctx, r.left, bench.Running, true))
}

// droppedNothing reports that no station was too busy for an observation.
func (r *rig) droppedNothing(ctx context.Context) error {
	for _, s := range r.sockets() {
		n, err := metric(ctx, metricQueueDrops, label("station", s.station))
		if err != nil {
			return err
		}
		if n != 0 {
			return fmt.Errorf("station %s dropped %v observations", s.station, n)
		}
	}
	return nil
}

// stormDuring has the storm blow from before something happens until it has
// happened, and for at least its size. It returns the size.
func (r *rig) stormDuring(happen func() error) (int, error) {
	const gust = 500
	if err := storm(r.left, gust); err != nil {
		return 0, err
	}
	happened := make(chan error, 1)
	go func() { happened <- happen() }()
	for n := gust; ; {
		if err := storm(r.left, gust); err != nil {
			return n, err
		}
		if n += gust; n < stormSize {
			continue
		}
		select {
		case err := <-happened:
			return n, err
		default:
		}
	}
}

// plugBoth has a running board on the left and on the right.
func (r *rig) plugBoth(ctx context.Context) error {
	r.supply.set(ampsRunning)
	for _, s := range []*socket{r.left, r.right} {
		if err := r.enter(ctx, s, inRunning, bench.Running, ampsRunning); err != nil {
			return err
		}
	}
	return nil
}

// swap changes the identity of what is plugged in.
func (r *rig) swap(ctx context.Context, s *socket, id bench.USBID) error {
	if err := r.pull(ctx, s); err != nil {
		return err
	}
	_, err := r.plugIn(ctx, s, id)
	return err
}

// countedUevents waits until the daemon has received or missed that many.
func (r *rig) countedUevents(ctx context.Context, want float64) error {
	ctx, cancel := context.WithTimeout(ctx, conclusion)
	defer cancel()
	for {
		got, err := metric(ctx, metricUevents)
		if err != nil {
			return err
		}
		lost, err := metric(ctx, metricLost)
		if err != nil {
			return err
		}
		if got+lost >= want {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("%v uevents received and %v lost, want %v together", got, lost, want)
		case <-time.After(readyPollEvery):
		}
	}
}

// storm has the kernel send n uevents of what is plugged in: kernel
// Documentation/ABI/testing/sysfs-uevent.
func storm(s *socket, n int) error {
	f, err := os.OpenFile(filepath.Join("/sys/bus/usb/devices", s.path, "uevent"), os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	for range n {
		if _, err := f.WriteString("change"); err != nil {
			return fmt.Errorf("storm: %w", errors.Join(err, f.Close()))
		}
	}
	return f.Close()
}

// checkOverrun stops the daemon in its tracks while more uevents come than its
// socket holds, the last of them a board's leaving: only a look at the whole
// bus can tell it.
func checkOverrun(ctx context.Context, r *rig) (string, error) {
	from := r.mark()
	before, err := metric(ctx, metricLost)
	if err != nil {
		return "", err
	}
	n, err := r.missed(ctx)
	if err != nil {
		return "", err
	}
	resumed := time.Now()
	gone, err := r.observations.wait(ctx, from.observations, rescanWithin, "observation remove of "+r.right.station, func(o observation) bool {
		return o.Station == r.right.station && o.USB != nil && o.USB.Change == string(bench.USBRemove)
	})
	if err != nil {
		return "", err
	}
	if err := calm(ctx); err != nil {
		return "", err
	}
	backlog := time.Since(resumed)
	after, err := metric(ctx, metricLost)
	if err != nil {
		return "", err
	}
	if after <= before {
		return "", fmt.Errorf("the socket overran, but %s stays at %v", metricLost, after)
	}
	return fmt.Sprintf("%d uevents while stopped, %v known as lost; the change among them seen %s after going on, the backlog read after %s",
		n, after-before, millis(gone.v.At.Sub(resumed)), millis(backlog)), nil
}

// calm waits until the daemon receives no more uevents: a backlog is not what
// the next check is about.
func calm(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, calmWithin)
	defer cancel()
	for last := -1.0; ; pause(ctx, calmFor) {
		n, err := metric(ctx, metricUevents)
		if ctx.Err() != nil {
			return fmt.Errorf("still reading uevents: %v so far: %w", last, ctx.Err())
		}
		if err == nil && n == last {
			return nil
		}
		if err == nil { // a page that is late is not what this is about
			last = n
		}
	}
}

// missed lets the right board leave in a storm while the daemon is stopped. It
// returns the size of the storm: the least that overran the socket.
func (r *rig) missed(ctx context.Context) (int, error) {
	if err := r.daemon.signal(syscall.SIGSTOP); err != nil {
		return 0, err
	}
	n, stormed := r.stormUntilDropped()
	return n, errors.Join(stormed, r.pull(ctx, r.right), r.daemon.signal(syscall.SIGCONT))
}

func (r *rig) stormUntilDropped() (int, error) {
	const gust = 2000
	for n := gust; n <= overrunLimit; n += gust {
		if err := storm(r.left, gust); err != nil {
			return n, err
		}
		table, err := os.ReadFile("/proc/net/netlink")
		if err != nil {
			return n, err
		}
		if droppedUevents(string(table)) > 0 {
			return n, nil
		}
	}
	return overrunLimit, fmt.Errorf("%d uevents do not overrun the daemon's socket", overrunLimit)
}

// droppedUevents reads from /proc/net/netlink how many messages the uevent
// sockets of other processes could not hold. Its columns are: address,
// protocol, port ID, groups, bytes to read and written, dump, locks, drops,
// inode (kernel net/netlink/af_netlink.c).
func droppedUevents(table string) (drops int) {
	const protocol, portID, dropped = 1, 2, 8
	for line := range strings.Lines(table) {
		f := strings.Fields(line)
		if len(f) <= dropped || f[protocol] != strconv.Itoa(unix.NETLINK_KOBJECT_UEVENT) || f[portID] == strconv.Itoa(os.Getpid()) {
			continue
		}
		n, err := strconv.Atoi(f[dropped])
		if err == nil {
			drops += n
		}
	}
	return drops
}
