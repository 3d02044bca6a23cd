package app

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/dispatch"
	"benchvigil/internal/bench"
	"benchvigil/internal/infer"
	"benchvigil/internal/unit"
)

// ear is an outlet that keeps what it hears, unless it is down.
type ear struct {
	mu    sync.Mutex
	down  error
	heard []heard
}

func (e *ear) String() string { return "ear" }

func (e *ear) Deliver(_ context.Context, m *alert.Message) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.down == nil {
		e.heard = append(e.heard, heard{time.Now(), m.Key, *m})
	}
	return e.down
}

func (e *ear) fail(err error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.down = err
}

// take is what it has heard since it was last asked.
func (e *ear) take() []heard {
	e.mu.Lock()
	defer e.mu.Unlock()
	all := e.heard
	e.heard = nil
	return all
}

// says lists deeds and points, but for windows that are met.
func says(all []heard) (out []string) {
	for _, h := range all {
		if h.m.Alert.Kind == bench.AlertWindowMet {
			continue
		}
		out = append(out, fmt.Sprintf("%s %s", h.m.Deed, h.m.Alert.Point()))
	}
	return out
}

// office is a desk as a configuration describes it, with stations that are
// followed by inference, on the clock of a bubble. Outlets are ears.
type office struct {
	t    *testing.T
	d    *desk
	ears map[string]*ear
	stop func()

	mu      sync.Mutex
	engines map[string]*infer.Engine
	ids     []string
}

func newOffice(t *testing.T, text string) *office {
	t.Helper()
	dir, profiles := t.TempDir(), "../../configs/profiles"
	profiles, err := filepath.Abs(profiles)
	if err == nil {
		text = fmt.Sprintf("bench: north\nlisten: 127.0.0.1:0\nprofiles: %s\n%s", profiles, text)
		err = os.WriteFile(filepath.Join(dir, "config.yaml"), []byte(text), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	_, p, err := read(filepath.Join(dir, "config.yaml"), RunOptions{Logger: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	o := &office{t: t, ears: map[string]*ear{}, engines: map[string]*infer.Engine{}}
	if o.d, err = newDesk(p, nil); err != nil {
		t.Fatal(err)
	}
	ears, w := map[string]dispatch.Outlet{}, o.d.ways.Load()
	for _, name := range w.names {
		o.ears[name] = &ear{}
		ears[name] = o.ears[name]
	}
	o.d.post.Replace(ears, w.limits)
	for _, s := range p.Stations {
		o.engines[s.ID] = infer.New(s.Profile, infer.Station{ID: s.ID, Hookup: s.Hookup})
		o.ids = append(o.ids, s.ID)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { _ = o.d.post.Run(ctx) })
	wg.Go(func() { _ = o.d.watch(ctx, o.look) })
	o.stop = func() {
		cancel()
		wg.Wait()
	}
	return o
}

func (o *office) look() (all []bench.Snapshot) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, id := range o.ids {
		var s bench.Snapshot
		o.engines[id].View(time.Now(), &s)
		all = append(all, s)
	}
	return all
}

// give lets a station observe something now.
func (o *office) give(id string, f bench.Fact) {
	o.mu.Lock()
	defer o.mu.Unlock()
	e, seen := o.engines[id], bench.Observation{At: time.Now(), Station: id, Fact: f}
	o.d.reading(seen)
	events := slices.Concat(e.Step(seen), e.Settle())
	if len(events) > 0 {
		var s bench.Snapshot
		e.View(time.Now(), &s)
		o.d.tell(events, &s)
	}
}

// flow lets currents flow for a while, read twice a second.
func (o *office) flow(d time.Duration, amps func(id string) unit.Current) {
	for end := time.Now().Add(d); time.Now().Before(end); {
		time.Sleep(500 * time.Millisecond)
		for _, id := range o.ids {
			o.give(id, bench.Power{Volts: unit.Some(3800 * unit.Millivolt), Amps: unit.Some(amps(id))})
		}
	}
	synctest.Wait()
}

const mA = unit.Milliampere

func steady(amps unit.Current) func(string) unit.Current {
	return func(string) unit.Current { return amps }
}

// on lets one station draw something else than the others.
func on(id string, amps unit.Current) func(string) unit.Current {
	return func(of string) unit.Current {
		if of == id {
			return amps
		}
		return 500 * mA
	}
}

const twoWays = `outlets:
  phone: {kind: publish, url: "http://phone.example/x"}
  mail: {kind: publish, url: "http://mail.example/x"}
stations:
  - {id: s1, profile: invented-handset, supply: {address: "tcp://127.0.0.1:1"}}
  - {id: s2, profile: invented-handset, supply: {address: "tcp://127.0.0.1:2"}}
  - {id: s3, profile: invented-handset, supply: {address: "tcp://127.0.0.1:3"}}
alerts: {repeat: 2m, draw: [{name: cap, stations: [s1], above: 1.5, severity: danger}]}
`

// An outlet that is down for two hours, on a bench where boards drop all the
// time: afterwards nothing is untold, nobody is flooded, and the other outlet
// was never late.
func TestOutletDownForHours(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t, twoWays)
		defer o.stop()
		o.flow(time.Minute, steady(500*mA))
		o.ears["phone"].fail(errors.New("no route to host"))
		began := time.Now()
		for i := 0; time.Since(began) < 2*time.Hour; i++ {
			o.flow(2*time.Second, on(o.ids[i%3], 0))
			o.flow(time.Minute, steady(500*mA))
		}
		o.flow(2*time.Second, on("s2", 0)) // and one that stands
		if late := o.ears["phone"].take(); len(late) > 0 {
			t.Fatalf("an outlet that is down heard %v", says(late))
		}
		mail := o.ears["mail"].take()
		alerts := map[string]bool{}
		for _, h := range mail {
			if h.m.Alert.Kind == bench.AlertDropped {
				alerts[h.m.Alert.Key] = true
			}
			if took := h.at.Sub(h.m.Made); took > time.Second {
				t.Errorf("%s of %s took %v by the outlet that works", h.m.Deed, h.m.Alert.Key, took)
			}
		}
		if len(alerts) < 100 {
			t.Fatalf("%d drops in two hours: nothing was tried", len(alerts))
		}
		if !slices.ContainsFunc(mail, func(h heard) bool { return h.m.Alert.Kind == bench.AlertOutlet }) {
			t.Error("nobody was told that an outlet does not deliver")
		}
		o.ears["phone"].fail(nil)
		o.flow(5*time.Minute, on("s2", 0))
		phone := o.ears["phone"].take()
		rings := 0
		for _, h := range phone {
			delete(alerts, h.m.Alert.Key)
			for _, x := range h.m.Missed {
				delete(alerts, x.Key)
			}
			if !h.m.Quiet() {
				rings++
			}
		}
		if len(alerts) > 0 {
			t.Errorf("%d alerts were never told by the outlet that was down: %v", len(alerts), alerts)
		}
		if len(phone) > 20 || len(mail) < 10*len(phone) {
			t.Errorf("%d messages of which %d ring after the outage, where the other outlet had %d: %v", len(phone), rings, len(mail), says(phone))
		}
		t.Logf("%d messages by the outlet that worked; %d afterwards by the other, %d of them ring", len(mail), len(phone), rings)
		if !slices.ContainsFunc(phone, func(h heard) bool { return h.m.Alert.Station == "s2" && h.m.Alert.Stands }) {
			t.Errorf("what stands is not told by itself: %v", says(phone))
		}
	})
}

// Hands on holds back, and what still stands is told when they go off.
func TestHandsOnHoldBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t, twoWays)
		defer o.stop()
		o.flow(time.Minute, steady(500*mA))
		o.ears["mail"].take()
		o.give("s1", bench.Mark{Kind: bench.MarkHandsOn, By: "kim"})
		o.flow(5*time.Second, on("s1", 1700*mA))
		o.flow(5*time.Second, steady(500*mA)) // over before anybody was told
		o.flow(20*time.Second, on("s1", 1700*mA))
		if got := o.ears["mail"].take(); len(got) > 0 {
			t.Errorf("told while somebody is at the station: %v", says(got))
		}
		if v := o.d.views(); len(v) != 1 || v[0].State != bench.AlertSuppressed {
			t.Errorf("%+v: want one alert, held back", v)
		}
		o.give("s1", bench.Mark{Kind: bench.MarkHandsOff, By: "kim"})
		o.flow(time.Second, on("s1", 1700*mA))
		if got := o.ears["mail"].take(); !slices.Equal(says(got), []string{"raised s1.draw.cap"}) {
			t.Errorf("told %v, want what still stands", says(got))
		}
	})
}

// Until somebody acknowledges a danger it is repeated, and not after that.
func TestAcknowledgingEndsRepeats(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t, twoWays)
		defer o.stop()
		o.flow(time.Minute, steady(500*mA))
		o.ears["mail"].take()
		o.flow(5*time.Minute, on("s1", 1700*mA))
		got := o.ears["mail"].take()
		if !slices.Equal(says(got), []string{"raised s1.draw.cap", "repeated s1.draw.cap", "repeated s1.draw.cap"}) {
			t.Errorf("told %v in five minutes, want it and two repeats", says(got))
		}
		if err := o.d.act(bench.AlertAct{Do: bench.DeedAcknowledge, Key: "s1.draw.cap", By: "kim"}); err != nil {
			t.Fatal(err)
		}
		o.flow(time.Hour, on("s1", 1700*mA))
		if got := says(o.ears["mail"].take()); !slices.Equal(got, []string{"taken s1.draw.cap"}) {
			t.Errorf("told %v in the hour after, want that somebody took it", got)
		}
		o.flow(time.Minute, steady(500*mA))
		if got := says(o.ears["mail"].take()); !slices.Equal(got, []string{"returned s1.draw.cap"}) {
			t.Errorf("told %v, want that it is over", got)
		}
	})
}
