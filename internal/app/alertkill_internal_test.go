package app

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/unit"
)

const (
	deskDir    = "BENCHVIGIL_APP_DESK"
	deskQuiet  = "BENCHVIGIL_APP_DESK_QUIET" // raise nothing, deliver what is left
	killRounds = "BENCHVIGIL_KILL_ROUNDS"
)

func init() { children[deskDir] = deskUnderLoad }

// deskOf makes the desk of a configuration in a folder, with its ledger.
func deskOf(dir string, log *zap.Logger) (*desk, *ledger.Ledger, error) {
	_, p, err := read(filepath.Join(dir, "config.yaml"), RunOptions{Data: filepath.Join(dir, "data"), Logger: log})
	if err != nil {
		return nil, nil, err
	}
	l, err := openLedger(p)
	if err != nil {
		return nil, nil, err
	}
	d, err := newDesk(p, l)
	return d, l, err
}

// deskUnderLoad raises alerts and ends them, all the time, until it is killed.
// It says the ID of each event that raised one once that is safe.
func deskUnderLoad(dir string) error {
	d, _, err := deskOf(dir, zap.NewNop())
	if err != nil {
		return err
	}
	go d.post.Run(context.Background())                                      //nolint:errcheck // until it is killed
	go d.watch(context.Background(), func() []bench.Snapshot { return nil }) //nolint:errcheck // likewise
	sure := make(chan string, 1024)
	if os.Getenv(deskQuiet) == "" {
		for k := range loadStations {
			go dropAllTheTime(d, k, sure)
		}
	}
	fmt.Println("ready")
	for id := range sure {
		fmt.Println(id)
	}
	return nil
}

const loadStations = 3

// calmEvery is after how many kills one is let alone until its outbox is empty:
// what is raised in a tenth of a second and never noted would pile up beyond what
// an outlet may be sent at once.
const calmEvery = 40

// dropAllTheTime has a station drop and turn out to have been stopped. Stations
// drop ten minutes apart, lest they be taken to have gone down together.
func dropAllTheTime(d *desk, k int, sure chan<- string) {
	id := fmt.Sprint("s", k)
	for n := uint64(1); ; n++ {
		now := time.Now()
		at := now.Add(time.Duration(-10*k) * time.Minute).Truncate(time.Millisecond)
		down := bench.Event{Station: id, Type: bench.RunDropped, Time: at, Concluded: now.Truncate(time.Millisecond), Count: uint64(now.UnixNano()), Data: bench.EventData{
			Kind: bench.Died, Mode: bench.Running, Uptime: unit.Some(time.Minute),
		}}
		d.tell([]bench.Event{down}, nil)
		sure <- down.ID()
		stop := bench.Event{Station: id, Type: bench.RunReclassified, Time: at, Concluded: time.Now().Truncate(time.Millisecond), Count: down.Count + 1}
		d.tell([]bench.Event{stop}, nil)
		time.Sleep(5 * time.Millisecond)
	}
}

// TestKilledWhileTelling kills a process that raises alerts and delivers them, at
// random moments, again and again on the same ledger. Every alert whose event was
// acknowledged is told, and what was told again has the key of the first time.
func TestKilledWhileTelling(t *testing.T) {
	t.Parallel()
	rounds := 100
	if s := os.Getenv(killRounds); s != "" {
		rounds, _ = strconv.Atoi(s)
	} else if testing.Short() {
		rounds = 20
	}
	r := newBench(t)
	text := fmt.Sprintf("outlets: {hook: {kind: webhook, url: %q, per_minute: 600}}\nstations:\n", r.hook.URL)
	for k := range loadStations {
		text += fmt.Sprintf("  - {id: s%d, profile: invented-handset, port: 1-%d, power: battery}\n", k, k+1)
	}
	r.configure(text)
	sure := map[string]bool{}
	for n := range rounds {
		for _, id := range r.killedDesk() {
			sure[id] = true
		}
		if n%calmEvery == calmEvery-1 {
			r.deliverRest()
		}
	}
	before := len(r.hook.calls())
	r.deliverRest()
	told, again := r.judgeCalls(sure)
	t.Logf("%d rounds: %d alerts acknowledged, %d messages told before the last start and %d in all, %d more than once", rounds, len(sure), before, told, again)
	if len(sure) < rounds || before < rounds {
		t.Error("nothing was tried")
	}
}

// killedDesk runs one until it is killed, and returns what it said was safe.
func (r *rig) killedDesk() (sure []string) {
	r.t.Helper()
	cmd, lines := r.deskChild()
	killWithin := func(most time.Duration) {
		time.AfterFunc(rand.N(most), func() { _ = cmd.Process.Kill() })
	}
	if rand.IntN(5) == 0 {
		killWithin(100 * time.Millisecond) // while it begins
	}
	for lines.Scan() {
		switch line := lines.Text(); {
		case line == "ready":
			killWithin(150 * time.Millisecond)
		case strings.HasPrefix(line, "error"):
			r.t.Fatal(line)
		default:
			sure = append(sure, line)
		}
	}
	_ = cmd.Wait() // killed
	return sure
}

func (r *rig) deskChild(env ...string) (*exec.Cmd, *bufio.Scanner) {
	r.t.Helper()
	cmd := exec.CommandContext(r.t.Context(), os.Args[0])
	cmd.Env = append(append(os.Environ(), deskDir+"="+r.dir), env...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		r.t.Fatal(err)
	}
	return cmd, bufio.NewScanner(out)
}

// deliverRest runs one that raises nothing until its outbox is empty.
func (r *rig) deliverRest() {
	r.t.Helper()
	cmd, lines := r.deskChild(deskQuiet + "=1")
	lines.Scan()
	l, err := ledger.OpenReader(r.t.Context(), filepath.Join(r.dir, "data"))
	if err != nil {
		r.t.Fatal(err)
	}
	Eventually(r.t, 5*time.Minute, "nothing is left in the outbox", func() bool {
		left, err := l.Due(r.t.Context(), time.Now().Add(time.Hour), 1)
		return err == nil && len(left) == 0
	})
	_ = l.Close() // it only read
	_ = cmd.Process.Kill()
	_ = cmd.Wait() // killed
}

// judgeCalls checks what the webhook was called with.
func (r *rig) judgeCalls(sure map[string]bool) (told, again int) {
	r.t.Helper()
	ids := map[string]string{} // what a message says, and its key
	times := map[string]int{}
	raised := map[string]bool{}
	for _, c := range r.hook.calls() {
		raised[c.m.Alert.Event] = true
		says := strings.Join([]string{c.m.Alert.Key, string(c.m.Deed), c.m.To, c.m.Alert.Title, c.m.Alert.Text, strconv.Itoa(c.m.Nth)}, "|")
		if id, ok := ids[says]; ok && id != c.id {
			r.t.Errorf("%q is told under two keys, %q and %q", says, id, c.id)
		}
		ids[says] = c.id
		if times[c.id]++; times[c.id] == 2 {
			again++
		}
	}
	for id := range sure {
		if !raised[id] {
			r.t.Errorf("event %s was acknowledged, and nobody was told", id)
			r.explainSilence(id)
		}
	}
	return len(r.hook.calls()), again
}

// explainSilence prints what is known of an event that nobody was told of.
func (r *rig) explainSilence(id string) {
	l, err := ledger.OpenReader(r.t.Context(), filepath.Join(r.dir, "data"))
	if err != nil {
		r.t.Fatal(err)
	}
	defer l.Close() //nolint:errcheck // it only read
	var key string
	for e, err := range l.AlertEvents(r.t.Context(), ledger.Query{}) {
		if err == nil && e.Data.Alert.Event == id {
			key = e.Data.Alert.Key
		}
	}
	for e, err := range l.AlertEvents(r.t.Context(), ledger.Query{}) {
		if err == nil && e.Data.Alert.Key == key {
			r.t.Logf("  %s %s %s %s: %s | %s", e.Time.Format("05.000"), e.Type, e.Data.Alert.State, e.Data.Alert.Event, e.Data.Alert.Title, e.Data.Alert.Text)
		}
	}
	entered, err := l.Entered(r.t.Context(), key)
	r.t.Logf("  entered: %q, %v", entered, err)
	for _, c := range r.hook.calls() {
		if c.m.Alert.Key == key {
			r.t.Logf("  told: %s %s", c.id, c.m.Alert.Event)
		}
	}
}
