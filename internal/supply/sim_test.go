package supply_test

import (
	"context"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap/zaptest"

	"benchvigil/internal/bench"
	"benchvigil/internal/sim/scpi"
	"benchvigil/internal/supply"
	"benchvigil/internal/unit"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// instrument is a simulated one whose knobs tests turn.
type instrument struct {
	t    *testing.T
	v    atomic.Pointer[scpi.Reading]
	srv  *scpi.Server
	addr string
}

func newInstrument(t *testing.T) *instrument {
	t.Helper()
	in := &instrument{t: t, addr: "127.0.0.1:0"}
	in.v.Store(&scpi.Reading{Volts: 3_801_000, Amps: 412_000, Output: true, SetVolts: 4 * unit.Volt, LimitAmps: 2 * unit.Ampere})
	in.start()
	t.Cleanup(in.stop)
	return in
}

// start listens, on the same address as before.
func (in *instrument) start() {
	in.t.Helper()
	srv, err := scpi.Listen(in.addr, scpi.Options{Read: func() scpi.Reading { return *in.v.Load() }, Lag: 30 * time.Millisecond})
	if err != nil {
		in.t.Fatal(err)
	}
	in.srv, in.addr = srv, srv.Addr()
}

func (in *instrument) stop() {
	if err := in.srv.Close(); err != nil {
		in.t.Error(err)
	}
}

func (in *instrument) turn(f func(r *scpi.Reading)) {
	r := *in.v.Load()
	f(&r)
	in.v.Store(&r)
}

func (in *instrument) behave(b scpi.Behaviour) {
	in.turn(func(r *scpi.Reading) { r.Behaviour = b })
}

// watch is a running poller and what it has emitted.
type watch struct {
	t  *testing.T
	p  *supply.Poller
	mu sync.Mutex
	tr transcript
	ch chan struct{} // there may be more
}

func startWatch(t *testing.T, o supply.Options) *watch {
	t.Helper()
	o.Station, o.Logger = "s1", zaptest.NewLogger(t)
	if o.Every == 0 {
		o.Every = 10 * time.Millisecond
	}
	p, err := supply.New(o)
	if err != nil {
		t.Fatal(err)
	}
	w := &watch{t: t, p: p, ch: make(chan struct{}, 1)}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx, w.emit) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Run = %v", err)
		}
	})
	return w
}

func (w *watch) emit(o bench.Observation) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.tr.emit(o)
	select {
	case w.ch <- struct{}{}:
	default:
	}
	return true
}

// forget drops what was emitted so far.
func (w *watch) forget() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.tr.got = nil
}

// until waits for lines that contain each of want, in that order, other lines
// between them allowed. What a busy machine delays is only later then.
func (w *watch) until(want ...string) {
	w.t.Helper()
	deadline := time.After(20 * time.Second)
	for {
		w.mu.Lock()
		got := strings.Split(w.tr.String(), "\n")
		w.mu.Unlock()
		if inOrder(got, want) {
			return
		}
		select {
		case <-w.ch:
		case <-deadline:
			w.t.Fatalf("waited 20 s for %q, got:\n%s", want, strings.Join(slices.Compact(got), "\n"))
		}
	}
}

func inOrder(got, want []string) bool {
	for _, line := range got {
		if len(want) > 0 && strings.Contains(line, want[0]) {
			want = want[1:]
		}
	}
	return len(want) == 0
}

const (
	lostLine = "supply lost"
	backLine = "supply back"
)

func TestReadsASimulatedInstrument(t *testing.T) {
	in := newInstrument(t)
	w := startWatch(t, supply.Options{
		Address: "tcp://" + in.addr, Timeout: 10 * time.Second,
		OutputQuery: "OUTP?", SetVoltsQuery: "VOLT?", LimitQuery: "CURR?",
	})
	w.until(good, good)
	for _, state := range []string{"set 4.000 V", "limit 2.000 A", "output true"} {
		w.until(state)
	}
	in.turn(func(r *scpi.Reading) { r.Volts, r.Amps, r.Output = 0, 0, false })
	w.until("power 0.000 V 0.00 mA", "output false")
	w.mu.Lock()
	defer w.mu.Unlock()
	if s := w.tr.String(); strings.Contains(s, "supply") {
		t.Errorf("a healthy instrument made news:\n%s", s)
	}
}

func TestReadsBySingleQueries(t *testing.T) {
	in := newInstrument(t)
	w := startWatch(t, supply.Options{Address: in.addr, VoltsQuery: "MEASure:VOLTage?", AmpsQuery: ":MEASure:CURRent?"})
	w.until(good, good)
}

func TestComesBackFromEveryBehaviour(t *testing.T) {
	for name, tc := range map[string]struct {
		b     scpi.Behaviour
		count supply.Failure
		want  string
	}{
		"silent":   {scpi.Silent, supply.Silent, `supply lost: no answer to "MEAS:VOLT?;CURR?" within 100ms`},
		"refusing": {scpi.Refusing, supply.Broken, lostLine},
		"garbling": {scpi.Garbling, supply.Garbled, lostLine + `: garbled answer to "MEAS:VOLT?;CURR?": "?.??????;?.??????"`},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			in := newInstrument(t)
			w := startWatch(t, supply.Options{Address: in.addr, Timeout: 100 * time.Millisecond})
			w.until(good)
			in.behave(tc.b)
			w.until(tc.want)
			w.forget()
			if n := w.p.Counts().Failures[tc.count]; n == 0 {
				t.Errorf("no failure is counted as %s", tc.count)
			}
			in.behave(scpi.Answering)
			w.until(backLine, good, good)
		})
	}
}

func TestSlowInstrumentIsRead(t *testing.T) {
	in := newInstrument(t)
	in.behave(scpi.Slow)
	w := startWatch(t, supply.Options{Address: in.addr})
	w.until(good, good, good)
	if c := w.p.Counts(); c.Skipped == 0 {
		t.Errorf("counts %+v: answers of 30 ms at a pace of 10 ms must skip slots", c)
	}
}

func TestInstrumentRestarts(t *testing.T) {
	in := newInstrument(t)
	w := startWatch(t, supply.Options{Address: in.addr, Timeout: 10 * time.Second})
	w.until(good)
	in.stop()
	w.until(lostLine, lostLine+": no connection:")
	w.forget()
	in.start()
	w.until(backLine, good)
	c := w.p.Counts()
	if c.Reconnects == 0 || c.Failures[supply.Unreachable] == 0 || c.Failures[supply.Broken] == 0 {
		t.Errorf("counts %+v, want a reconnect after a broken connection and refusals", c)
	}
}

func TestInstrumentComesLater(t *testing.T) {
	in := newInstrument(t)
	in.stop()
	w := startWatch(t, supply.Options{Address: in.addr})
	w.until(lostLine + ": no connection:")
	in.start()
	w.until(backLine, good)
}

func TestErrorsOfAnUnknownQueryAreTold(t *testing.T) {
	in := newInstrument(t)
	w := startWatch(t, supply.Options{Address: in.addr, Query: "MEAS:VOLT?;AMPS?", Timeout: 100 * time.Millisecond})
	w.until(`supply error: -113,"Undefined header"`,
		`supply error: the instrument refused "MEAS:VOLT?;AMPS?" (-113,"Undefined header"): set volts_query and amps_query`,
		`supply error: "MEAS:VOLT?;AMPS?" was answered by one value, not two: set volts_query and amps_query: "3.801000"`,
		lostLine)
}

// Two stations, one instrument silent: the other one's readings go on.
func TestSilentInstrumentBesideAnother(t *testing.T) {
	a, b := newInstrument(t), newInstrument(t)
	wa := startWatch(t, supply.Options{Address: a.addr, Timeout: time.Minute})
	wb := startWatch(t, supply.Options{Address: b.addr})
	wa.until(good)
	a.behave(scpi.Silent)
	wb.forget()
	wb.until(slices.Repeat([]string{good}, 50)...)
}
