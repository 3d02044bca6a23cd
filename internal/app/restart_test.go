package app_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"

	"benchvigil/internal/app"
	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/unit"
)

// watchChild names the folder of a bench that this binary watches, instead of
// testing, until it is killed.
const watchChild = "BENCHVIGIL_APP_CHILD"

func TestMain(m *testing.M) {
	if app.Child() {
		os.Exit(1)
	}
	dir := os.Getenv(watchChild)
	if dir == "" {
		os.Exit(m.Run())
	}
	err := app.RunConfig(context.Background(), filepath.Join(dir, "config.yaml"), app.RunOptions{
		Data: filepath.Join(dir, "data"), Version: "test", Logger: childLog(), Started: func(url string) { fmt.Println(strings.TrimPrefix(url, "http://")) },
	})
	fmt.Println("error", err)
	os.Exit(1)
}

// childLog names what somebody should look at.
func childLog() *zap.Logger {
	c := zap.NewDevelopmentConfig()
	c.Level, c.DisableStacktrace, c.DisableCaller = zap.NewAtomicLevelAt(zap.WarnLevel), true, true
	return zap.Must(c.Build())
}

// invented is a bench that stays while the program that watches it is killed:
// a board that is up with a device on its port, and one that goes down and
// comes up again all the time.
type invented struct {
	t     *testing.T
	dir   string
	began time.Time
}

// supply serves readings; amps says what flows at a time since the beginning.
func (b *invented) supply(amps func(time.Duration) float64) (address string) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go b.answer(c, amps)
		}
	}()
	return l.Addr().String()
}

func (b *invented) answer(c net.Conn, amps func(time.Duration) float64) {
	defer c.Close() //nolint:errcheck // nothing is kept in it
	for r := bufio.NewScanner(c); r.Scan(); {
		answer := `0,"No error"`
		if strings.HasPrefix(r.Text(), "MEAS") {
			answer = fmt.Sprintf("3.8;%.3f", amps(time.Since(b.began)))
		}
		if _, err := fmt.Fprintln(c, answer); err != nil {
			return
		}
	}
}

func (b *invented) write(name, text string) {
	b.t.Helper()
	name = filepath.Join(b.dir, name)
	if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
		b.t.Fatal(err)
	}
}

// plug puts a device on a port.
func (b *invented) plug(port string, number int) {
	b.t.Helper()
	for name, text := range map[string]string{"idVendor": "1209", "idProduct": "0004", "devnum": fmt.Sprint(number), "urbnum": "5", "speed": "480"} {
		b.write(filepath.Join("sys/bus/usb/devices", port, name), text+"\n")
	}
}

func newInvented(t *testing.T) *invented {
	t.Helper()
	b := &invented{t: t, dir: t.TempDir(), began: time.Now()}
	profiles, err := filepath.Abs("../../configs/profiles")
	if err != nil {
		t.Fatal(err)
	}
	asked := sync.OnceValue(time.Now) // the board is switched on a second after somebody looks
	up := b.supply(func(time.Duration) float64 {
		if time.Since(asked()) < time.Second {
			return 0
		}
		return 0.4
	})
	restless := b.supply(func(d time.Duration) float64 {
		if d%(700*time.Millisecond) < 300*time.Millisecond {
			return 0
		}
		return 0.5
	})
	b.plug("1-1", 7)
	b.write("config.yaml", fmt.Sprintf(`bench: north
listen: 127.0.0.1:0
profiles: %s
usb: {sysfs: %s, scan: off}
inhibit_sleep: false
stations:
  - {id: s1, profile: invented-handset, port: 1-1, supply: {address: "tcp://%s", query: "MEAS:VOLT?;CURR?", every: 50ms}}
  - {id: s2, profile: invented-handset, supply: {address: "tcp://%s", query: "MEAS:VOLT?;CURR?", every: 50ms}}
`, profiles, filepath.Join(b.dir, "sys"), up, restless))
	return b
}

// watch runs the program until it is killed, after what do does.
func (b *invented) watch(do func(url string)) {
	b.t.Helper()
	cmd := exec.CommandContext(b.t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), watchChild+"="+b.dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		b.t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil || strings.HasPrefix(line, "error") {
		b.t.Errorf("%q, %v", line, err)
	} else {
		do("http://" + strings.TrimSpace(line) + "/")
	}
	_ = cmd.Process.Kill()
	_ = cmd.Wait() // killed
}

// events are those in the ledger that inference told, by station.
func (b *invented) events() map[string][]bench.Event {
	b.t.Helper()
	out := map[string][]bench.Event{}
	b.read(func(r *ledger.Reader) {
		for e, err := range r.Events(b.t.Context(), ledger.Query{}) {
			if err != nil {
				b.t.Fatal(err)
			}
			if !e.Type.IsAlert() {
				out[e.Station] = append(out[e.Station], e)
			}
		}
	})
	return out
}

func (b *invented) read(do func(*ledger.Reader)) {
	b.t.Helper()
	r, err := ledger.OpenReader(b.t.Context(), filepath.Join(b.dir, "data"))
	if err != nil {
		b.t.Fatal(err)
	}
	defer r.Close() //nolint:errcheck // it only read
	do(r)
}

// TestKilledWatchGoesOn kills a watch at random moments and begins it again, on
// the same ledger: what was told stays told and is told once, the goal stays
// armed, the run that goes on is one run, and a recording of it all replays to
// the same events.
func TestKilledWatchGoesOn(t *testing.T) {
	rounds := 8
	if testing.Short() {
		rounds = 3
	}
	b := newInvented(t)
	b.watch(func(url string) {
		eventually(t, 20*time.Second, "the first run", func() bool {
			_, page := get(t, url+"metrics")
			return strings.Contains(page, `benchvigil_run_active{station="s1"} 1`)
		})
		if err := app.MakeMark(t.Context(), app.MarkOptions{URL: url, Station: "s1", Mark: bench.Mark{Kind: bench.MarkArm, By: "kim", Text: "stay 3h"}}); err != nil {
			t.Error(err)
		}
		eventually(t, 20*time.Second, "the goal armed", func() bool {
			_, page := get(t, url+"metrics")
			return strings.Contains(page, `benchvigil_watch_armed{station="s1"} 1`)
		})
	})
	var judged atomic.Int32
	before := b.events()
	for range rounds {
		b.watch(func(url string) {
			<-time.After(time.Duration(300+rand.IntN(1500)) * time.Millisecond)
			_, page := get(t, url+"api/v1/stations/s1")
			if strings.Contains(page, `"sure":true`) {
				judged.Add(1)
			}
			if !strings.Contains(page, `"watch":`) {
				t.Errorf("nothing is armed: %s", page)
			}
		})
		now := b.events()
		for id, told := range before {
			if diff := cmp.Diff(told, now[id][:min(len(told), len(now[id]))], maybes); diff != "" {
				t.Fatalf("events of %s (-before the kill +after it):\n%s", id, diff)
			}
		}
		before = now
	}
	if judged.Load() == 0 {
		t.Error("the run was never seen to go on: nothing was tried")
	}
	b.oneByOne(before)
	b.oneRun()
	b.replays(before)
	t.Logf("%d rounds, %d and %d events", rounds, len(before["s1"]), len(before["s2"]))
}

// oneByOne checks that events are numbered without a hole, and none twice.
func (b *invented) oneByOne(events map[string][]bench.Event) {
	b.t.Helper()
	for id, told := range events {
		for i, e := range told {
			if e.Count != uint64(i+1) {
				b.t.Errorf("event %d of %s is its number %d: %+v", i+1, id, e.Count, e)
				break
			}
		}
		if len(told) < 5 {
			b.t.Errorf("%s: %d events: nothing was tried", id, len(told))
		}
	}
}

// oneRun checks that the run of the board that stayed up is one, with its goal.
func (b *invented) oneRun() {
	b.t.Helper()
	b.read(func(r *ledger.Reader) {
		n := 0
		for run, err := range r.Runs(b.t.Context(), ledger.Query{Station: "s1"}) {
			if n++; err != nil || run.Outcome != "running" || run.Assumed {
				b.t.Errorf("%+v, %v", run, err)
			}
		}
		for w, err := range r.Watches(b.t.Context(), ledger.Query{Station: "s1"}) {
			if n++; err != nil || w.Outcome != "armed" {
				b.t.Errorf("%+v, %v", w, err)
			}
		}
		if n != 2 {
			b.t.Errorf("%d runs and watches, want one of each", n)
		}
	})
}

// maybes lets cmp look into what may be unknown.
var maybes = cmp.AllowUnexported(unit.Maybe[time.Duration]{})

// replays checks that a recording from the ledger gives the events again. Those
// that the last watch could not tell any more may follow.
func (b *invented) replays(events map[string][]bench.Event) {
	b.t.Helper()
	var live bytes.Buffer
	for _, id := range slices.Sorted(maps.Keys(events)) {
		for _, e := range events[id] {
			line, err := e.CloudEvent("north")
			if err != nil {
				b.t.Fatal(err)
			}
			live.Write(append(line, '\n'))
		}
	}
	want, got := linesByStation(b.t, live.Bytes()), linesByStation(b.t, replayCut(b.t, filepath.Join(b.dir, "data")))
	for id := range want {
		if diff := cmp.Diff(want[id], got[id][:min(len(got[id]), len(want[id]))]); diff != "" {
			b.t.Errorf("%s (-live +replayed):\n%s", id, diff)
		}
	}
}
