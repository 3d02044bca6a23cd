package app

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"benchvigil/internal/alert"
	"benchvigil/internal/bench"
)

// oneHook is a bench of two stations that are read ten times a second, and one
// webhook.
func oneHook(r *rig) (left, right *source) {
	left, right = &source{}, &source{}
	left.set(0.5)
	right.set(0.5)
	r.configure(fmt.Sprintf(`outlets:
  hook: {kind: webhook, url: "%s"}
stations:
  - {id: left, profile: invented-handset, supply: {address: "tcp://%s", query: "MEAS:VOLT?;CURR?", every: 100ms}}
  - {id: right, profile: invented-handset, supply: {address: "tcp://%s", query: "MEAS:VOLT?;CURR?", every: 100ms}}
`, r.hook.URL, r.supply(left), r.supply(right)))
	return left, right
}

// up waits until boards are.
func (r *rig) up(ids ...string) {
	r.t.Helper()
	for _, id := range ids {
		r.until(id+" is up", func() bool {
			var s struct{ Run *struct{} }
			return r.get("api/v1/stations/"+id, &s) == nil && s.Run != nil
		})
	}
}

// told waits for a call about a kind of alert at a station.
func (r *rig) told(kind bench.AlertKind, station string, fits func(heard) bool) heard {
	r.t.Helper()
	c, ok := r.hook.await(30*time.Second, func(c heard) bool {
		return c.m.Alert.Kind == kind && c.m.Alert.Station == station && (fits == nil || fits(c))
	})
	if !ok {
		r.t.Fatalf("nobody was told of %s at %q: %v", kind, station, says(r.hook.calls()))
	}
	return c
}

// After a kill the next start says for how long nobody watched and what the
// stations were doing, delivers what was raised and not delivered, and raises
// what happened meanwhile.
func TestAfterAnUncleanEnd(t *testing.T) {
	t.Parallel()
	r := newBench(t)
	left, right := oneHook(r)
	r.start()
	r.up("left", "right")
	r.hook.answer.Store(http.StatusServiceUnavailable)
	left.set(0)
	var key string
	r.until("a drop is raised", func() bool {
		var all []bench.AlertView
		if r.get("api/v1/alerts", &all) != nil {
			return false
		}
		i := slices.IndexFunc(all, func(v bench.AlertView) bool { return v.Kind == bench.AlertDropped && v.Station == "left" })
		if i >= 0 {
			key = all[i].Key
		}
		return i >= 0
	})
	time.Sleep(1500 * time.Millisecond) // so that what the stations remember is in the ledger
	r.kill()
	if calls := r.hook.calls(); len(calls) > 0 {
		t.Fatalf("delivered before the kill: %v", says(calls))
	}
	right.set(0)
	r.hook.answer.Store(0)
	time.Sleep(1200 * time.Millisecond)
	r.start()
	if c := r.told(bench.AlertDropped, "left", nil); c.m.Alert.Key != key {
		t.Errorf("the drop of before is told as %s, it was raised as %s", c.m.Alert.Key, key)
	}
	r.told(bench.AlertDropped, "right", nil)
	gap := r.told(bench.AlertUnwatched, "", nil).m
	words := gap.Alert.Title + " " + gap.Alert.Text + " " + strings.Join(gap.Alert.Why, " ")
	if !strings.Contains(words, "right was") || !strings.Contains(words, "left was") || !strings.Contains(words, " s") {
		t.Errorf("said %q, want for how long and what each station was doing", words)
	}
	if err := ActOnAlerts(t.Context(), ActOptions{URL: r.url, Out: io.Discard, Act: bench.AlertAct{Do: bench.DeedAcknowledge, Key: "left", By: "kim"}}); err != nil {
		t.Error(err)
	}
	r.told(bench.AlertDropped, "left", func(c heard) bool { return c.m.Deed == alert.Taken && c.m.Alert.By == "kim" })
	t.Logf("%s | %s | %q", gap.Alert.Title, gap.Alert.Text, gap.Alert.Why)
	r.end(syscall.SIGTERM)
	before := len(r.hook.calls())
	r.start()
	time.Sleep(time.Second)
	for _, c := range r.hook.calls()[before:] {
		if c.m.Alert.Kind == bench.AlertUnwatched {
			t.Error("after an end in order it is said that nobody watched")
		}
	}
}

// Other outlets take effect at once; a configuration that is refused changes
// nothing and is told as an alert.
func TestOutletsAreReloaded(t *testing.T) {
	t.Parallel()
	r := newBench(t)
	other := newHook(t)
	oneHook(r)
	r.start()
	r.up("left", "right")
	first, err := os.ReadFile(filepath.Join(r.dir, "config.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(r.dir, "config.yaml"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := r.cmd.Process.Signal(syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
	}
	test := func() error {
		return TestOutlets(t.Context(), TestOptions{AlertsOptions: AlertsOptions{URL: r.url, Out: io.Discard}})
	}
	if err := test(); err != nil || len(r.hook.calls(bench.AlertTest)) != 1 {
		t.Errorf("%v, %d tests arrived, want one", err, len(r.hook.calls(bench.AlertTest)))
	}
	moved := strings.ReplaceAll(string(first), "hook: {kind: webhook, url: \""+r.hook.URL, "moved: {kind: webhook, url: \""+other.URL)
	write(moved + "people: {kim: {outlets: [moved]}}\n")
	r.until("the other outlet is in force", func() bool {
		return slices.Equal(OfferOutlets(t.Context(), r.url), []string{"moved"})
	})
	if err := test(); err != nil || len(other.calls(bench.AlertTest)) != 1 || len(r.hook.calls(bench.AlertTest)) != 1 {
		t.Errorf("%v, %d tests arrived at the new outlet and %d at the old one, want one each", err, len(other.calls(bench.AlertTest)), len(r.hook.calls(bench.AlertTest)))
	}
	write(strings.ReplaceAll(moved, "kind: webhook", "kind: carrier-pigeon"))
	if _, ok := other.await(30*time.Second, func(c heard) bool { return c.m.Alert.Kind == bench.AlertConfig && c.m.To == "kim" }); !ok {
		t.Fatalf("nobody was told that the configuration is refused: %v", says(other.calls()))
	}
	if got := OfferOutlets(t.Context(), r.url); !slices.Equal(got, []string{"moved"}) {
		t.Errorf("outlets are %v after a refused configuration", got)
	}
	write(moved)
	if _, ok := other.await(30*time.Second, func(c heard) bool { return c.m.Alert.Kind == bench.AlertConfig && c.m.Deed == alert.Returned }); !ok {
		t.Fatalf("nobody was told that the configuration is good again: %v", says(other.calls()))
	}
	if calls := r.hook.calls(); len(calls) != 1 {
		t.Errorf("the old outlet was told %v", says(calls))
	}
}
