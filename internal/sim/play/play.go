// Package play brings the stories of package sim to life: for each station a
// SCPI server on loopback whose readings follow the story, a device on an
// in-process USB bus that comes and goes with it, and the marks of its people.
// Everything downstream of them is the program in earnest. It knows nothing of
// who watches.
package play

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim"
	"benchvigil/internal/sim/scpi"
	"benchvigil/internal/sim/usbbus"
	"benchvigil/internal/unit"
)

// Clock is the clock of a bench on which time runs Speed times as fast.
type Clock struct {
	start time.Time
	speed float64
}

// NewClock returns a clock that shows the present now.
func NewClock(speed float64) Clock { return Clock{time.Now(), speed} }

// Now is the time on the bench.
func (c Clock) Now() time.Time { return c.start.Add(c.since()) }

// since is how much time has passed on the bench.
func (c Clock) since() time.Duration {
	return time.Duration(float64(time.Since(c.start)) * c.speed)
}

// wait waits until so much time has passed on the bench since its beginning.
func (c Clock) wait(ctx context.Context, until time.Duration) error {
	t := time.NewTimer(time.Duration(float64(until-c.since()) / c.speed))
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Real converts a length of bench time into real time, but no less than least.
func (c Clock) Real(d, least time.Duration) time.Duration {
	return max(time.Duration(float64(d)/c.speed), least)
}

// Station is one story that is being played.
type Station struct {
	ID       string
	Port     string // USB port path
	Scenario *sim.Scenario
	Supply   string // address of its supply; empty where there is none
	server   *scpi.Server
	on       bench.USBID // on the port now; owned by play
}

// Bench plays stories, one on each station.
type Bench struct {
	Clock    Clock
	USB      *usbbus.Bus
	Stations []*Station
	once     bool
}

// Options say what to play.
type Options struct {
	Stations int             // how many
	Stories  []*sim.Scenario // shared out among them in turn
	Speed    float64         // how many times as fast time runs
	Once     bool            // stay at the end instead of beginning again
}

// New makes a bench and starts its supplies. Close it.
func New(o Options) (*Bench, error) {
	b := &Bench{Clock: NewClock(o.Speed), USB: usbbus.New(0), once: o.Once}
	for i := range o.Stations {
		st := &Station{ID: fmt.Sprintf("s%d", i+1), Port: fmt.Sprintf("1-%d", i+1), Scenario: o.Stories[i%len(o.Stories)]}
		b.Stations = append(b.Stations, st)
		if st.Scenario.Hookup.Path != bench.FromSupply {
			continue
		}
		srv, err := scpi.Listen("127.0.0.1:0", scpi.Options{
			IDN: fmt.Sprintf("Invented Instruments,IPS-30,%04d,1.0", i+1), Read: func() scpi.Reading { return b.read(st) },
		})
		if err != nil {
			return nil, errors.Join(fmt.Errorf("simulate the supply of %s: %w", st.ID, err), b.Close())
		}
		st.server, st.Supply = srv, srv.Addr()
	}
	return b, nil
}

// Close stops the supplies.
func (b *Bench) Close() error {
	var errs []error
	for _, st := range b.Stations {
		if st.server != nil {
			errs = append(errs, st.server.Close())
		}
	}
	return errors.Join(errs...)
}

// at is how far a story is.
func (b *Bench) at(st *Station) time.Duration {
	now, length := b.Clock.since(), st.Scenario.Length()
	if b.once {
		return min(now, length-time.Nanosecond)
	}
	return now % length
}

func (b *Bench) read(st *Station) scpi.Reading {
	r := st.Scenario.Read(b.at(st))
	out := scpi.Reading{Volts: r.Volts, Amps: r.Amps, Output: true, SetVolts: r.Volts, LimitAmps: 2 * unit.Ampere}
	if r.Silent {
		out.Behaviour = scpi.Silent
	}
	return out
}

// String names the bench in logs.
func (b *Bench) String() string { return "simulation" }

// Run plays the USB side of the stories and makes the marks of their people
// until ctx ends.
func (b *Bench) Run(ctx context.Context, emit func(bench.Observation) bool) error {
	var wg sync.WaitGroup
	for _, st := range b.Stations {
		wg.Go(func() { b.play(ctx, st, emit) })
	}
	wg.Wait()
	return nil
}

func (b *Bench) play(ctx context.Context, st *Station, emit func(bench.Observation) bool) {
	begin := time.Duration(0)
	for {
		at := begin
		for _, p := range st.Scenario.Phases {
			if b.Clock.wait(ctx, at) != nil {
				return
			}
			b.enter(st, p, emit)
			at += p.For
		}
		if b.Clock.wait(ctx, at) != nil {
			return
		}
		if b.once {
			return
		}
		begin = at
	}
}

// enter makes the changes with which a phase begins.
func (b *Bench) enter(st *Station, p sim.Phase, emit func(bench.Observation) bool) {
	switch {
	case p.ID == st.on:
	case p.ID == bench.USBID{}:
		b.USB.Unplug(st.Port)
	default:
		b.USB.Plug(st.Port, p.ID, "INVENTED-"+st.ID)
		b.USB.CountURBs(st.Port, func() uint64 { return st.Scenario.URBs(b.at(st)) })
	}
	st.on = p.ID
	if p.Mark != nil {
		emit(bench.Observation{At: b.Clock.Now(), Station: st.ID, Fact: *p.Mark})
	}
}
