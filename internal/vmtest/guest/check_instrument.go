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
	"benchvigil/internal/sim/scpi"
	"benchvigil/internal/sim/usbip"
	"benchvigil/internal/unit"
)

const (
	serialBaud  = 115200
	ampsAfter   = 650 * unit.Milliampere // what the board draws later
	rateSpan    = 2 * time.Second        // over which readings are counted
	rateTries   = 3                      // the computer may be busy with something else
	tcpLateMost = 2 * time.Second        // between two readings of the left supply; an instrument is away for longer
)

// checkSerial has a board run on the supply that is on a serial line.
func checkSerial(ctx context.Context, r *rig) (string, error) {
	detail, err := r.feed(ctx, r.serial)
	if err != nil {
		return "", err
	}
	line, ok := r.serial.device.Function.(*usbip.Serial)
	if !ok || line.Baud() != serialBaud {
		return "", fmt.Errorf("the line is not set to %d baud: %+v", serialBaud, line)
	}
	return detail, nil
}

// checkUSBTMC does so with the supply that is on USBTMC.
func checkUSBTMC(ctx context.Context, r *rig) (string, error) { return r.feed(ctx, r.usbtmc) }

// figures are what is measured of an instrument.
type figures struct {
	from                        span    // where the run begins
	rate                        float64 // readings a second
	follows                     time.Duration
	lost, back, drop            time.Duration
	silentLost, silentBack, gap time.Duration
}

func (f figures) String() string {
	return fmt.Sprintf("%.1f readings/s, a change read after %s; unplugged: supply.lost after %s, supply.back %s after the device file; "+
		"silent: lost after %s, back after %s; meanwhile the TCP station's drop told after %s, its readings %s apart at most",
		f.rate, millis(f.follows), millis(f.lost), millis(f.back), millis(f.silentLost), millis(f.silentBack), millis(f.drop), millis(f.gap))
}

// feed leads the board of i through a run in which the instrument is unplugged,
// plugged in, and silent, while the left station goes on beside it.
func (r *rig) feed(ctx context.Context, i *instrument) (string, error) {
	if err := r.freshLeft(ctx); err != nil {
		return "", err
	}
	f := figures{from: r.mark()}
	for _, stage := range []func(context.Context, *instrument, *figures) error{
		r.startOn, r.readWell, r.readChange, r.loseAndFind, r.fallSilent, r.readWell, r.endOn,
	} {
		if err := stage(ctx, i, &f); err != nil {
			return "", fmt.Errorf("%w; so far %q", err, r.told(f.from, i.board))
		}
	}
	met := func(s string) bool { return strings.HasPrefix(s, "window.met") } // endOn has waited for it
	if got := slices.DeleteFunc(r.told(f.from, i.board), met); !slices.Equal(got, wantFed()) {
		return "", fmt.Errorf("got %q, want %q", got, wantFed())
	}
	f.gap = widest(r.powers(f.from, r.left))
	if f.gap > tcpLateMost {
		return "", fmt.Errorf("the left station was not read for %s: %s", millis(f.gap), f)
	}
	return f.String(), nil
}

// wantFed is such a run in events, but for its window.met: what becomes of the
// instrument does not touch it.
func wantFed() []string {
	return []string{
		"run.started",
		"mode.changed off to starting",
		"mode.changed starting to running",
		"supply.lost in running",
		"supply.back in running",
		"supply.lost in running",
		"supply.back in running",
		"run.dropped died in running",
		"mode.changed running to off",
	}
}

// startOn powers the board up.
func (r *rig) startOn(ctx context.Context, i *instrument, _ *figures) error {
	from := r.mark()
	i.shows.set(ampsStarting)
	if _, err := r.event(ctx, from, i.board, bench.ModeChanged, conclusion); err != nil {
		return err
	}
	return r.enter(ctx, i.board, inRunning, bench.Running, ampsRunning)
}

// readWell counts readings until there are enough of them in a second, and keeps
// the lowest rate.
func (r *rig) readWell(ctx context.Context, i *instrument, f *figures) error {
	best := 0.0
	for n := 0; n < rateTries && best < leastRate; n++ {
		rate, err := r.readFor(ctx, i, rateSpan)
		if err != nil {
			return err
		}
		best = max(best, rate)
	}
	if best < leastRate {
		return fmt.Errorf("%.1f readings a second, want %d", best, leastRate)
	}
	if f.rate == 0 || best < f.rate {
		f.rate = best
	}
	return nil
}

// readFor gives the readings a second over a while, all of which must be right.
func (r *rig) readFor(ctx context.Context, i *instrument, d time.Duration) (rate float64, err error) {
	from := r.mark()
	pause(ctx, d)
	to := time.Now()
	pause(ctx, recordLag)
	want, n := i.shows.reading(), 0
	for _, o := range r.powers(from, i.board) {
		if o.At.After(to) {
			break
		}
		n++
		if !o.reads(want) {
			return 0, fmt.Errorf("%s reads %s, the instrument shows %v, %v", i.board.station, o.reading(), want.Volts, want.Amps)
		}
	}
	return float64(n) / to.Sub(from.at).Seconds(), nil
}

// readChange measures how soon another current is read.
func (r *rig) readChange(ctx context.Context, i *instrument, f *figures) error {
	from := r.mark()
	i.shows.set(ampsAfter)
	set := time.Now()
	o, err := r.observations.wait(ctx, from.observations, conclusion, "reading of "+ampsAfter.String(), func(o observation) bool {
		return o.Station == i.board.station && o.Power != nil && o.reads(i.shows.reading())
	})
	f.follows = o.v.At.Sub(set)
	return err
}

// loseAndFind unplugs the instrument and plugs it in again. Meanwhile the board
// runs on, the left one's drop is told as ever, and check says what is wrong.
func (r *rig) loseAndFind(ctx context.Context, i *instrument, f *figures) error {
	from := r.mark()
	pulled := time.Now()
	if err := r.pull(ctx, i.at); err != nil {
		return err
	}
	lost, err := r.event(ctx, from, i.board, bench.SupplyLost, conclusion)
	if err != nil {
		return err
	}
	f.lost = lost.at.Sub(pulled)
	if f.drop, err = r.dropLeft(ctx); err != nil {
		return err
	}
	if err := errors.Join(r.saysLost(ctx, i), r.shows(ctx, i.board, bench.Running, true)); err != nil {
		return err
	}
	there, err := r.plugInstrument(ctx, i)
	if err != nil {
		return err
	}
	back, err := r.event(ctx, from, i.board, bench.SupplyBack, conclusion)
	f.back = back.at.Sub(there)
	return err
}

// saysLost has benchvigil check ask the running watch about its instruments.
func (r *rig) saysLost(ctx context.Context, missing *instrument) error {
	_, err := r.checkedUp(ctx, func(i *instrument, f finding) error {
		verdict, words := "ok", "the benchvigil that runs reads it"
		if i == missing {
			verdict, words = "failed", "the benchvigil that runs gets no readings"
		}
		if f.Verdict != verdict || !strings.HasPrefix(f.Found, words) {
			return fmt.Errorf("beside the watch check says %+v, want %s: %s", f, verdict, words)
		}
		return nil
	})
	return err
}

// fallSilent has the instrument, plugged in, not answer until that is told.
func (r *rig) fallSilent(ctx context.Context, i *instrument, f *figures) error {
	from := r.mark()
	began := time.Now()
	i.shows.behave(scpi.Silent)
	lost, err := r.event(ctx, from, i.board, bench.SupplyLost, conclusion)
	f.silentLost = lost.at.Sub(began)
	answers := time.Now()
	i.shows.behave(scpi.Answering)
	if err != nil {
		return err
	}
	back, err := r.event(ctx, from, i.board, bench.SupplyBack, conclusion)
	f.silentBack = back.at.Sub(answers)
	return err
}

// endOn has the board die once it has met its window, in spite of everything.
func (r *rig) endOn(ctx context.Context, i *instrument, f *figures) error {
	if _, err := r.event(ctx, f.from, i.board, bench.WindowMet, windowLimit); err != nil {
		return err
	}
	from := r.mark()
	i.shows.set(0)
	if err := r.pull(ctx, i.board); err != nil {
		return err
	}
	_, err := r.event(ctx, from, i.board, bench.ModeChanged, conclusion)
	return err
}

// powers lists the readings of the station of s, in their order.
func (r *rig) powers(from span, s *socket) []observation {
	var list []observation
	for _, o := range r.observations.since(from.observations) {
		if o.v.Station == s.station && o.v.Power != nil && !o.v.At.Before(from.at) {
			list = append(list, o.v)
		}
	}
	return list
}

// widest is the longest time between two readings.
func widest(list []observation) (most time.Duration) {
	for i := 1; i < len(list); i++ {
		most = max(most, list[i].At.Sub(list[i-1].At))
	}
	return most
}

// reads reports that a reading, to the last digit, is what is shown.
func (o observation) reads(want scpi.Reading) bool {
	p := o.Power
	return p.Volts != nil && p.Amps != nil && micros(*p.Volts) == int64(want.Volts) && micros(*p.Amps) == int64(want.Amps)
}

func (o observation) reading() string {
	number := func(v *float64) string {
		if v == nil {
			return "unknown"
		}
		return fmt.Sprint(*v)
	}
	return number(o.Power.Volts) + " V, " + number(o.Power.Amps) + " A"
}
