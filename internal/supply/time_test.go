package supply_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest"
	"go.uber.org/zap/zaptest/observer"

	"benchvigil/internal/bench"
	"benchvigil/internal/supply"
	"benchvigil/internal/supply/supplytest"
)

// after is a good answer that comes so late.
func after(d time.Duration) supplytest.Exchange {
	return supplytest.Exchange{Want: compound, Answer: "3.801;0.412\n", After: d}
}

// stamps lists when things were observed, since start.
func stamps(tr *transcript, start time.Time) []time.Duration {
	var out []time.Duration
	for _, o := range tr.got {
		out = append(out, o.At.Sub(start))
	}
	return out
}

func TestReadingsAreStampedOnArrivalAndPacedByDeadline(t *testing.T) {
	const ms = time.Millisecond
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		tr, counts := play(t, supply.Options{}, 0, talk(noError,
			after(30*ms), after(70*ms), after(0), // however long it takes, the schedule stays
			after(130*ms), // late for slot 400, which is served at once
			after(0),
			after(350*ms), // slots 600 and 700 pass by
			after(0), after(0)))
		want := []time.Duration{30 * ms, 170 * ms, 200 * ms, 430 * ms, 430 * ms, 850 * ms, 850 * ms, 900 * ms}
		if diff := cmp.Diff(want, stamps(tr, start)); diff != "" {
			t.Errorf("stamps (-want +got):\n%s", diff)
		}
		if counts.Readings != 8 || counts.Skipped != 2 {
			t.Errorf("readings %d, skipped %d; want 8, 2", counts.Readings, counts.Skipped)
		}
	})
}

func TestSixHundredReadingsAMinute(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		tr, counts := play(t, supply.Options{}, 0, talk(append([]supplytest.Exchange{noError}, supplytest.Repeat(601, after(40*time.Millisecond))...)...))
		if counts.Readings != 601 || counts.Skipped != 0 {
			t.Errorf("readings %d, skipped %d; want 601, 0", counts.Readings, counts.Skipped)
		}
		if last := stamps(tr, start)[600]; last != time.Minute+40*time.Millisecond {
			t.Errorf("the 601st reading came after %v, want 1m0.04s", last)
		}
	})
}

func TestStampsFollowTheBenchClock(t *testing.T) {
	bench0 := time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC)
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		now := func() time.Time { return bench0.Add(60 * time.Since(start)) }
		tr, _ := play(t, supply.Options{Now: now}, 0, talk(noError, reading, reading, silence(compound)), supplytest.Refused())
		want := []time.Duration{0, 6 * time.Second, 42 * time.Second}
		if diff := cmp.Diff(want, stamps(tr, bench0)[:3]); diff != "" {
			t.Errorf("stamps on a clock sixty times as fast (-want +got):\n%s", diff)
		}
	})
}

// A slow instrument is asked for one piece of state in a slot, so that state
// costs it no readings.
func TestStateCostsNoReadings(t *testing.T) {
	lag := func(x supplytest.Exchange) supplytest.Exchange { x.After = 40 * time.Millisecond; return x }
	output, setVolts, limit := lag(reply("OUTP?", "1")), lag(reply("VOLT?", "4.2")), lag(reply("CURR?", "2"))
	r := lag(reading)
	synctest.Test(t, func(t *testing.T) {
		o := supply.Options{OutputQuery: "OUTP?", SetVoltsQuery: "VOLT?", LimitQuery: "CURR?"}
		tr, counts := play(t, o, 0, talk(noError, r, output, setVolts, r, limit, r, r))
		want := lines(good, good+" set 4.200 V output true", good+" limit 2.000 A", good)
		// 40 ms for the reading and 40 for each state query: the third waits for
		// the next slot.
		if diff := cmp.Diff(want, tr.String()); diff == "" && counts.Skipped == 0 {
			return
		} else {
			t.Errorf("skipped %d, emitted (-want +got):\n%s", counts.Skipped, diff)
		}
	})
}

// dials notes when connections are asked for.
type dials struct {
	at    []time.Time
	block bool
}

func (d *dials) dial(ctx context.Context) (supply.Conn, error) {
	d.at = append(d.at, time.Now())
	if d.block {
		<-ctx.Done()
		return nil, ctx.Err()
	}
	return nil, errors.New("connection refused")
}

func TestBackOffWhileUnreachable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &dials{}
		p, err := supply.New(supply.Options{Station: "s1", Dial: d.dial})
		if err != nil {
			t.Fatal(err)
		}
		tr := &transcript{}
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
		defer cancel()
		if err := p.Run(ctx, tr.emit); err != nil {
			t.Errorf("Run = %v", err)
		}
		for i := 1; i < len(d.at); i++ {
			middle := min(100*time.Millisecond<<min(i-1, 10), 4*time.Second)
			if gap := d.at[i].Sub(d.at[i-1]); gap < middle*3/4 || gap > middle*5/4 {
				t.Errorf("attempt %d came after %v, want %v give or take a quarter", i+1, gap, middle)
			}
		}
		if n := len(d.at); n < 120 || n > 210 {
			t.Errorf("%d attempts in 10 minutes, want one in 3 to 5 s", n)
		}
		if got := tr.String(); got != lines("supply lost: no connection: connection refused") {
			t.Errorf("emitted %q, want one loss", got)
		}
		c := p.Counts()
		if c.Failures[supply.Unreachable] != uint64(len(d.at)) || c.Reconnects != 0 {
			t.Errorf("counts %+v after %d refusals", c, len(d.at))
		}
	})
}

// An instrument that accepts and never answers must be backed off from like one
// that refuses.
func TestBackOffWhileSilent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var calls []supplytest.Call
		calls = append(calls, talk(silence("SYST:ERR?")))
		for range 5 {
			calls = append(calls, talk(silence(compound)), talk(silence("SYST:ERR?")))
		}
		start := time.Now()
		tr, counts := play(t, supply.Options{}, 0, append(calls, talk(reading))...)
		// 11 time-outs of 0.5 s and waits of .1 + .2 + .4 + .8 + 1.6 s.
		least, most := 5500*time.Millisecond+3100*time.Millisecond*3/4, 5500*time.Millisecond+3100*time.Millisecond*5/4
		if d := time.Since(start); d < least || d > most {
			t.Errorf("11 silent connections took %v, want %v to %v", d, least, most)
		}
		if counts.Failures[supply.Silent] != 5 || counts.Reconnects != 11 || counts.Readings != 1 {
			t.Errorf("counts %+v, want 5 silent, 11 reconnects, 1 reading", counts)
		}
		if n := strings.Count(tr.String(), "supply lost"); n != 1 {
			t.Errorf("%d losses told, want 1:\n%s", n, tr)
		}
	})
}

// An instrument that takes connections and closes them is counted, too.
func TestClosedBeforeAnyReadingIsCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, counts := play(t, supply.Options{}, 0, talk(), talk(supplytest.Exchange{Want: "SYST:ERR?", Hangup: true}), talk(noError, reply(compound, "?"), noError, reading))
		want := map[supply.Failure]uint64{supply.Unreachable: 0, supply.Broken: 2, supply.Silent: 0, supply.Garbled: 1, supply.NotANumber: 0}
		if diff := cmp.Diff(want, counts.Failures); diff != "" {
			t.Errorf("failures (-want +got):\n%s", diff)
		}
	})
}

// A reading ends the back-off: the next loss is tried again soon.
func TestBackOffStartsAnewAfterAReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		play(t, supply.Options{}, 0, supplytest.Refused(), supplytest.Refused(), supplytest.Refused(), supplytest.Refused(),
			talk(noError, supplytest.Exchange{Want: compound, Answer: "3.801;0.412\n", Hangup: true}), talk(noError, reading))
		// .1 + .2 + .4 + .8 s, the next slot, and .1 s again.
		least, most := 1600*time.Millisecond*3/4+100*time.Millisecond, 1600*time.Millisecond*5/4+100*time.Millisecond
		if d := time.Since(start); d < least || d > most {
			t.Errorf("back after %v, want %v to %v", d, least, most)
		}
	})
}

func TestRunEndsAtOnce(t *testing.T) {
	blocked := &dials{block: true}
	refused := &dials{}
	for name, dial := range map[string]func(*testing.T) supply.Dial{
		"while dialling":              func(*testing.T) supply.Dial { return blocked.dial },
		"while backing off":           func(*testing.T) supply.Dial { return refused.dial },
		"while waiting for an answer": func(t *testing.T) supply.Dial { return supplytest.New(t, talk(silence("SYST:ERR?"))).Dial },
		"while waiting for a reading": func(t *testing.T) supply.Dial { return supplytest.New(t, talk(noError, silence(compound))).Dial },
		"while waiting for a slot":    func(t *testing.T) supply.Dial { return supplytest.New(t, talk(noError, reading)).Dial },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p, err := supply.New(supply.Options{Station: "s1", Dial: dial(t), Timeout: time.Hour, Every: time.Hour, Logger: zaptest.NewLogger(t)})
				if err != nil {
					t.Fatal(err)
				}
				start := time.Now()
				ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
				defer cancel()
				tr := &transcript{}
				if err := p.Run(ctx, tr.emit); err != nil {
					t.Errorf("Run = %v, want nil", err)
				}
				if d := time.Since(start); d != 50*time.Millisecond {
					t.Errorf("Run ended after %v, want 50ms", d)
				}
				if c := p.Counts(); c.Failures[supply.Broken]+c.Failures[supply.Silent] > 0 {
					t.Errorf("stopping was counted as a failure: %+v", c)
				}
			})
		})
	}
}

// One instrument that never answers, beside one that does.
func TestNobodyDelaysAnotherStation(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		ctx, cancel := context.WithCancel(t.Context())
		dead, err := supply.New(supply.Options{Station: "s2", Dial: (&dials{block: true}).dial})
		if err != nil {
			t.Fatal(err)
		}
		ended := make(chan error)
		go func() { ended <- dead.Run(ctx, func(bench.Observation) bool { return true }) }()
		tr, counts := play(t, supply.Options{}, 0, talk(append([]supplytest.Exchange{noError}, supplytest.Repeat(50, reading)...)...))
		for i, at := range stamps(tr, start) {
			if want := time.Duration(i) * 100 * time.Millisecond; at != want {
				t.Fatalf("reading %d at %v, want %v", i, at, want)
			}
		}
		if counts.Readings != 50 {
			t.Errorf("%d readings, want 50", counts.Readings)
		}
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

// News that the receiver dropped is told again; a reading is not.
func TestDroppedNewsIsToldAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		pb := supplytest.New(t, supplytest.Refused(), supplytest.Refused(), talk(noError, reading, reading))
		p, err := supply.New(supply.Options{Station: "s1", Dial: pb.Dial})
		if err != nil {
			t.Fatal(err)
		}
		tr := &transcript{}
		drop := map[int]bool{0: true, 2: true, 3: true} // the first loss; the first end of it and its reading
		n := 0
		emit := func(o bench.Observation) bool {
			n++
			return !drop[n-1] && tr.emit(o)
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- p.Run(ctx, emit) }()
		<-pb.Done()
		synctest.Wait()
		cancel()
		<-ended
		want := lines("supply lost: no connection: connection refused", backGood)
		if diff := cmp.Diff(want, tr.String()); diff != "" {
			t.Errorf("emitted (-want +got):\n%s", diff)
		}
	})
}

// The log hears of a cause once, however often it comes, and of its end.
func TestLog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		core, logs := observer.New(zap.DebugLevel)
		var calls []supplytest.Call
		for range 4 {
			calls = append(calls, talk(noError, reading, silence(compound)))
		}
		calls = append(calls, supplytest.Refused(), talk(append([]supplytest.Exchange{noError}, supplytest.Repeat(12, reading)...)...))
		tr, _ := play(t, supply.Options{Name: "left", Address: "bench:5025", Logger: zap.New(core)}, 0, calls...)
		if n := strings.Count(tr.String(), "supply lost: no answer"); n != 4 {
			t.Errorf("%d losses emitted, want each of 4", n)
		}
		var got []string
		for _, e := range logs.All() {
			m := e.ContextMap()
			got = append(got, fmt.Sprintf("%s %s station=%v source=%v err=%v", e.Level, e.Message, m["station"], m["source"], m["err"]))
		}
		want := []string{
			`warn supply lost station=s1 source=supply left (bench:5025) err=no answer to "MEAS:VOLT?;CURR?" within 500ms`,
			`warn supply lost station=s1 source=supply left (bench:5025) err=no connection: connection refused`,
			`info supply is well station=s1 source=supply left (bench:5025) err=<nil>`,
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("log (-want +got):\n%s", diff)
		}
	})
}
