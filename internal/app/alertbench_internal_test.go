package app

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"benchvigil/internal/alert/rule"
	"benchvigil/internal/bench"
)

// alertBench has the way of an alert measured: quick or full.
const alertBench = "BENCHVIGIL_ALERT_BENCH"

// isRunning is the identity of an invented handset that runs.
var isRunning = bench.USBID{Vendor: 0x1209, Product: 0x0004}

// TestAlertBench measures from what happens on the bench to the call of a
// webhook: the daemon in a process of its own with its ledger on disk, bench and
// webhook here, so that one clock sees both ends. See internal/tools/alert.sh.
func TestAlertBench(t *testing.T) {
	how := os.Getenv(alertBench)
	if how == "" {
		t.Skip("make bench-alert runs it")
	}
	quick := how == "quick"
	disk := syncing(t)
	edges, drops, conventionals := 300, 1000, 100
	if quick {
		edges, drops, conventionals = 60, 200, 40
	}
	var decided, told []time.Duration
	for _, e := range spread(t, 2, edges, (*rig).edges) {
		decided, told = append(decided, e.decided), append(told, e.told)
	}
	median := report("USB edge to webhook", told, "p50 3 ms, p99 25 ms")
	report("of that, until it was decided", decided, "")
	var first, second []time.Duration
	silent := 0
	for _, d := range spread(t, 4, drops, (*rig).drops) {
		switch {
		case d.told == 0:
			silent++
		case d.second:
			second = append(second, d.told)
		default:
			first = append(first, d.told)
		}
	}
	report("drop to webhook, 10 readings/s", first, "p99 325 ms")
	report("the second drop within a second", second, "as the first")
	fmt.Printf("%-34s %d of %d\n", "drops of 300 ms nobody was told of", silent, len(first)+len(second)+silent)
	report("a sync of 4 KiB meanwhile", disk(), "")
	for _, other := range []struct {
		name  string
		every time.Duration
		aim   string
	}{
		{"Prometheus and Alertmanager, 1 s", time.Second, "≥ 300"},
		{"the same, 100 ms", 100 * time.Millisecond, "≥ 30"},
		{"a POST straight to Alertmanager", 0, "≥ 0.5"},
	} {
		p50 := report(other.name, conventional(t, other.every, conventionals), "")
		fmt.Printf("%-34s %.1f times the median of the USB edge  (aim: %s)\n", "", float64(p50)/float64(median), other.aim)
	}
}

// syncing writes and syncs four times a second beside everything else, until
// what it returns is called: it says how long syncs took.
func syncing(t *testing.T) (stop func() []time.Duration) {
	t.Helper()
	f, err := os.Create(filepath.Join(t.TempDir(), "sync"))
	if err != nil {
		t.Fatal(err)
	}
	end, done := make(chan struct{}), make(chan struct{})
	var took []time.Duration
	go func() {
		defer close(done)
		block := make([]byte, 4096)
		for {
			began := time.Now()
			if _, err := f.Write(block); err != nil || f.Sync() != nil {
				return
			}
			took = append(took, time.Since(began))
			select {
			case <-end:
				return
			case <-time.After(250 * time.Millisecond):
			}
		}
	}()
	return func() []time.Duration {
		close(end)
		<-done
		_ = f.Close()
		return took
	}
}

// spread measures n times by several daemons, so that it does not take all day.
func spread[T any](t *testing.T, daemons, n int, measure func(*rig, int) []T) (out []T) {
	t.Helper()
	var mu sync.Mutex
	var wg sync.WaitGroup
	for range daemons {
		r := newBench(t)
		wg.Go(func() {
			got := measure(r, n/daemons)
			mu.Lock()
			defer mu.Unlock()
			out = append(out, got...)
		})
	}
	wg.Wait()
	return out
}

// benched is a station of a measured bench, with a board that runs.
type benched struct {
	id, port string
	source   source
}

// boards runs a daemon that watches boards which are up and running for long
// enough that what happens next is news.
func (r *rig) boards(n int, every time.Duration, onUSB bool) (all []*benched) {
	text := fmt.Sprintf("outlets: {hook: {kind: webhook, url: %q, per_minute: 600}}\nstations:\n", r.hook.URL)
	for i := range n {
		b := &benched{id: fmt.Sprint("s", i), port: fmt.Sprint("1-", i+1)}
		b.source.set(0.5)
		usb := ""
		if onUSB {
			r.plug(b.port, isRunning)
			usb = "port: " + b.port + ", "
		}
		text += fmt.Sprintf("  - {id: %s, profile: invented-handset, %ssupply: {address: \"tcp://%s\", query: \"MEAS:VOLT?;CURR?\", every: %s}}\n", b.id, usb, r.supply(&b.source), every)
		all = append(all, b)
	}
	r.configure(text)
	r.start()
	type station struct{ Run *struct{} }
	r.until("all boards up", func() bool {
		var now []station
		return r.get("api/v1/stations", &now) == nil && !slices.ContainsFunc(now, func(s station) bool { return s.Run == nil })
	})
	time.Sleep(rule.DefaultBack + time.Second)
	return all
}

// edges has boards go down where a USB removal decides it: one reading has shown
// that the current fell, the next one is a while off.
func (r *rig) edges(n int) (all []edge) {
	boards := r.boards(12, time.Second, true)
	for i := range n {
		b := boards[i%len(boards)]
		zeros := b.source.zeros.Load()
		b.source.set(0)
		for b.source.zeros.Load() == zeros {
			time.Sleep(time.Millisecond)
		}
		time.Sleep(20*time.Millisecond + rand.N(200*time.Millisecond)) // at any phase of the ticks
		at := r.unplug(b.port)
		c, ok := r.hook.await(5*time.Second, func(c heard) bool {
			return c.m.Alert.Kind == bench.AlertDropped && c.m.Alert.Station == b.id && c.at.After(at)
		})
		if !ok {
			r.t.Errorf("edge %d: nothing within 5 s", i)
			break
		}
		all = append(all, edge{told: c.at.Sub(at), decided: c.m.Made.Sub(at)})
		r.plug(b.port, isRunning)
		b.source.set(0.5)
		time.Sleep(time.Until(at.Add(apart)))
	}
	r.end(syscall.SIGTERM)
	return all
}

// edge is how long after a USB removal it was decided to tell of it, and told.
type edge struct{ decided, told time.Duration }

// Drops: pairs of 300 ms on two stations at a time, and more than a second until
// the next ones. What falls within a second of each other on three stations
// would be told as one cause.
const (
	dropFor = 300 * time.Millisecond
	apart   = 1100 * time.Millisecond
	atATime = 2
)

// dropped is an interruption as the instrument shows it.
type dropped struct {
	station string
	at      time.Time
	second  bool
	zeros   int64         // readings that showed it
	told    time.Duration // after it; 0: never
}

// drops interrupts currents n times, and says what came of each.
func (r *rig) drops(n int) (made []dropped) {
	all := r.boards(16, 100*time.Millisecond, false)
	var mu sync.Mutex
	for next := 0; len(made) < n; next += atATime {
		var wg sync.WaitGroup
		for k := range atATime {
			b := all[(next+k)%len(all)]
			wg.Go(func() {
				time.Sleep(rand.N(100 * time.Millisecond)) // at any phase of the readings
				for _, again := range []bool{false, true} {
					zeros := b.source.zeros.Load()
					d := dropped{station: b.id, at: b.source.set(0), second: again}
					time.Sleep(dropFor)
					b.source.set(0.5)
					d.zeros = b.source.zeros.Load() - zeros
					mu.Lock()
					made = append(made, d)
					mu.Unlock()
					if !again {
						time.Sleep(400*time.Millisecond + rand.N(200*time.Millisecond))
					}
				}
			})
		}
		wg.Wait()
		time.Sleep(apart)
	}
	time.Sleep(2 * time.Second)
	r.end(syscall.SIGTERM) // in order, so that all is in the ledger
	r.findTold(made)
	return made
}

// findTold finds for each drop the first message that tells of it: one whose
// event is of that moment.
func (r *rig) findTold(made []dropped) {
	when := map[string]time.Time{}
	for _, e := range r.ledgered() {
		if e.Type == bench.RunDown || e.Type == bench.RunDropped {
			when[e.ID()] = e.Time
		}
	}
	calls := r.hook.calls(bench.AlertDropped, bench.AlertPowerLost)
	for i := range made {
		d := &made[i]
		for _, c := range calls {
			of := when[c.m.Alert.Event].Sub(d.at)
			if c.m.Alert.Station == d.station && of > -50*time.Millisecond && of < dropFor+50*time.Millisecond {
				d.told = c.at.Sub(d.at)
				break
			}
		}
		if d.told == 0 && d.zeros > 1 {
			r.explain(*d, calls)
		}
	}
}

// explain prints what was concluded and told around a drop that no message tells of.
func (r *rig) explain(d dropped, calls []heard) {
	r.t.Logf("%s at %s, shown by %d readings, the second: %v", d.station, d.at.UTC().Format("05.000"), d.zeros, d.second)
	for _, e := range r.ledgered() {
		if e.Station == d.station && e.Time.Sub(d.at).Abs() < 2*time.Second {
			r.t.Logf("  %s at %s: %s %s %s %s %q", e.Time.UTC().Format("05.000"), e.Concluded.UTC().Format("05.000"), e.Type, e.Data.Kind, e.Data.To, e.ID(), e.Data.Why)
		}
	}
	for _, c := range calls {
		if c.m.Alert.Station == d.station && c.at.Sub(d.at).Abs() < 2*time.Second {
			r.t.Logf("  %s told: %s %s %s", c.at.UTC().Format("05.000"), c.m.Deed, c.m.Alert.Title, c.m.Alert.Event)
		}
	}
}

// report prints a distribution and returns its median.
func report(name string, took []time.Duration, aim string) time.Duration {
	if len(took) == 0 {
		fmt.Printf("%-34s nothing was measured\n", name)
		return 0
	}
	slices.Sort(took)
	at := func(q float64) float64 {
		return float64(took[min(int(q*float64(len(took))), len(took)-1)].Microseconds()) / 1000
	}
	fmt.Printf("%-34s n=%d p50=%.2f p90=%.2f p99=%.2f most=%.2f ms", name, len(took), at(.5), at(.9), at(.99), at(1))
	if aim != "" {
		fmt.Print("  (aim: ", strings.TrimSpace(aim), ")")
	}
	fmt.Println()
	return took[len(took)/2]
}
