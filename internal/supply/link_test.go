package supply_test

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/supply"
	"benchvigil/internal/supply/supplytest"
)

// pair is two pollers of one instrument that share its connection.
type pair struct {
	tr     [2]transcript
	p      [2]*supply.Poller
	cancel [2]context.CancelFunc
	ended  [2]chan error
}

func startPair(t *testing.T, dial supply.Dial, a, b supply.Options) *pair {
	t.Helper()
	links, pr := supply.NewLinks(), &pair{}
	for i, o := range []supply.Options{a, b} {
		o.Station, o.Address, o.Links, o.Dial = "s1", "psu:5025", links, dial
		p, err := supply.New(o)
		if err != nil {
			t.Fatal(err)
		}
		var ctx context.Context
		ctx, pr.cancel[i] = context.WithCancel(t.Context())
		ended := make(chan error, 1)
		pr.p[i], pr.ended[i] = p, ended
		go func() { ended <- p.Run(ctx, pr.tr[i].emit) }()
		synctest.Wait() // the first opens the connection
	}
	return pr
}

func (pr *pair) stop(t *testing.T, i int) {
	t.Helper()
	pr.cancel[i]()
	if err := <-pr.ended[i]; err != nil {
		t.Errorf("Run = %v", err)
	}
}

var (
	first  = supply.Options{Query: "MEAS:VOLT? (@1);CURR? (@1)", Every: time.Second}
	second = supply.Options{Query: "MEAS:VOLT? (@2);CURR? (@2)", Every: time.Second}
)

// Both channels over one connection, in turns, however slow the answers.
func TestTwoChannelsTakeTurns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		lag := func(q, a string) supplytest.Exchange {
			return supplytest.Exchange{Want: q, Answer: a + "\n", After: 300 * time.Millisecond}
		}
		one, two := lag(first.Query, "3.801;0.412"), lag(second.Query, "5;0.1")
		pb := supplytest.New(t, talk(noError, one, noError, two, one, two))
		pr := startPair(t, pb.Dial, first, second)
		<-pb.Done()
		synctest.Wait()
		pr.stop(t, 0)
		pr.stop(t, 1)
		for i, want := range []string{lines(good, good), lines("power 5.000 V 100 mA", "power 5.000 V 100 mA")} {
			if diff := cmp.Diff(want, pr.tr[i].String()); diff != "" {
				t.Errorf("station %d (-want +got):\n%s", i, diff)
			}
			if c := pr.p[i].Counts(); c.Reconnects != 0 || c.Readings != 2 {
				t.Errorf("station %d: counts %+v", i, c)
			}
		}
	})
}

// One channel is not answered: the connection is opened anew, and the other
// station goes on without noticing.
func TestOneSilentChannelOfTwo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		pb := supplytest.New(t,
			talk(noError, reply(first.Query, "1;1"), noError, silence(second.Query)),
			talk(noError, silence(second.Query)), // the retry comes first
			talk(reply(first.Query, "1;1")))
		pr := startPair(t, pb.Dial, first, second)
		<-pb.Done()
		synctest.Wait()
		pr.stop(t, 1)
		pr.stop(t, 0)
		if got := pr.tr[0].String(); got != lines("power 1.000 V 1.000 A", "power 1.000 V 1.000 A") {
			t.Errorf("the answered channel:\n%s", got)
		}
		if got := pr.tr[1].String(); !strings.HasPrefix(got, "supply lost: no answer to") || strings.Count(got, "\n") != 1 {
			t.Errorf("the silent channel:\n%s", got)
		}
	})
}

// Who stops does not take the connection from under the other's question.
func TestStoppingOneOfTwo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow := supplytest.Exchange{Want: second.Query, Answer: "5;0.1\n", After: 400 * time.Millisecond}
		pb := supplytest.New(t, talk(noError, reply(first.Query, "1;1"), noError, slow, slow))
		pr := startPair(t, pb.Dial, first, second)
		time.Sleep(100 * time.Millisecond) // the second is asking
		pr.stop(t, 0)
		<-pb.Done()
		synctest.Wait()
		pr.stop(t, 1)
		if got := pr.tr[1].String(); got != lines("power 5.000 V 100 mA", "power 5.000 V 100 mA") {
			t.Errorf("the one that goes on:\n%s", got)
		}
	})
}

// Who waits for a turn is ended at once.
func TestStoppingWhoWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := first, second
		a.Timeout = time.Hour
		pb := supplytest.New(t, talk(noError, silence(a.Query)))
		pr := startPair(t, pb.Dial, a, b)
		start := time.Now()
		pr.stop(t, 1)
		if d := time.Since(start); d != 0 {
			t.Errorf("ended after %v", d)
		}
		pr.stop(t, 0)
	})
}

// While the instrument is away each station says so.
func TestSharedInstrumentRestarts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		later := second
		later.Every = 3 * time.Second
		one, two := reply(first.Query, "1;1"), reply(second.Query, "2;2")
		pb := supplytest.New(t, talk(noError, one, noError, two, supplytest.Exchange{Want: first.Query, Hangup: true}), talk(noError, one))
		var away atomic.Bool
		dial := func(ctx context.Context) (supply.Conn, error) {
			if away.Load() {
				return nil, errors.New("connection refused")
			}
			return pb.Dial(ctx)
		}
		pr := startPair(t, dial, first, later)
		away.Store(true)
		time.Sleep(5 * time.Second)
		synctest.Wait()
		pr.stop(t, 1)
		away.Store(false)
		<-pb.Done()
		synctest.Wait()
		pr.stop(t, 0)
		refused := "supply lost: no connection: connection refused"
		want := lines("power 1.000 V 1.000 A", `supply lost: ask "MEAS:VOLT? (@1);CURR? (@1)": the instrument closed the connection`, refused,
			"supply back", "power 1.000 V 1.000 A")
		if diff := cmp.Diff(want, pr.tr[0].String()); diff != "" {
			t.Errorf("the one that asked (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff(lines("power 2.000 V 2.000 A", refused), pr.tr[1].String()); diff != "" {
			t.Errorf("the other (-want +got):\n%s", diff)
		}
	})
}

// What is selected is written before each question, in the same turn.
func TestSelect(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		pick := silence("INST:NSEL 2")
		tr, _ := play(t, supply.Options{Select: "INST:NSEL 2", OutputQuery: "OUTP?"}, 0, talk(
			pick, noError, pick, reading, pick, reply("OUTP?", "1"), pick, reading))
		if diff := cmp.Diff(lines(good, good+" output true"), tr.String()); diff != "" {
			t.Errorf("emitted (-want +got):\n%s", diff)
		}
	})
}

func TestTemperatureQuery(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ask := func(a string) supplytest.Exchange { return reply("MEAS:TEMP?", a) }
		o := supply.Options{TemperatureQuery: "MEAS:TEMP?", Every: time.Second, Channel: bench.ChannelVBUS}
		tr, _ := play(t, o, 0, talk(noError, reading, ask("+3.125E+1"), reading, ask("9.91E37"), reading, ask("32"), reading, ask("33")))
		v := good + " vbus"
		if diff := cmp.Diff(lines(v, v, "31.3 °C", v, v, "32.0 °C"), tr.String()); diff != "" {
			t.Errorf("emitted (-want +got):\n%s", diff)
		}
	})
}
