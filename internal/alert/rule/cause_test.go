package rule_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/alert/rule"
	"benchvigil/internal/bench"
)

func TestHubTakesIn(t *testing.T) {
	g := newRig(t, rule.Options{Stations: stations(3, "1-2.%d", "")})
	want(t, g.drop("s01", bench.LinkLost, 0, 5.1), "raise s01.dropped caution")
	got := g.drop("s03", bench.LinkLost, 0.4, 5.5)
	want(t, got, "raise bench.hub-lost.1-2 caution",
		"return s01.dropped caution: part of Bench: hub 1-2 lost 2 stations 14:03:12")
	a := got[0].Alert
	if d := cmp.Diff([]string{"s01", "s03"}, a.Others); d != "" || !strings.Contains(strings.Join(a.Why, "|"), "B1, B3") {
		t.Errorf("%s\nwhy: %q", d, a.Why)
	}
	want(t, g.drop("s02", bench.LinkLost, 0.9, 6))
	want(t, g.run(7, 9), "amend bench.hub-lost.1-2 caution: more stations went with it")
	g.up("s01", 20)
	want(t, g.run(20, 30), "amend bench.hub-lost.1-2 caution: some of its stations are back")
	g.up("s02", 31)
	g.up("s03", 32)
	want(t, g.run(33, 50), "amend bench.hub-lost.1-2 caution: some of its stations are back", "return bench.hub-lost.1-2 caution: all its stations are back")
	want(t, g.drop("s01", bench.LinkLost, 60, 65), "raise s01.dropped caution")
}

func TestApartIsNoCause(t *testing.T) {
	g := newRig(t, rule.Options{Stations: stations(2, "1-2.%d", "psu")})
	g.drop("s01", bench.Died, 0, 0.5)
	want(t, g.drop("s02", bench.Died, 1.2, 1.8), "raise s02.dropped caution")
}

// Two boards of two supplies may fall within a second by chance.
func TestTwoAreNoBench(t *testing.T) {
	g := newRig(t, rule.Options{Stations: []rule.Station{{ID: "s01", Supply: "left"}, {ID: "s02", Supply: "right"}}})
	g.drop("s01", bench.Died, 0, 0.5)
	want(t, g.drop("s02", bench.Died, 0.2, 0.8), "raise s02.dropped caution")
}

func TestSupplyTakesIn(t *testing.T) {
	g := newRig(t, rule.Options{Stations: stations(8, "1-%d", "tcp://192.0.2.7:5025")})
	g.snaps["s07"].Watch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalCopy}}
	g.tick(at(-1))
	for i, id := range sorted(g.snaps) {
		g.drop(id, bench.BrownOut, 0.1*float64(i), 0.8)
	}
	if raised := countRaised(t, g.all); raised != 2 {
		t.Errorf("%d alerts rang:\n%s", raised, strings.Join(brief(g.all), "\n"))
	}
	left := g.r.Standing()
	if len(left) != 1 || left[0].Severity != bench.Danger || len(left[0].Others) != 8 || left[0].Title != "Bench: supply 192.0.2.7:5025 down, 8 stations 14:03:12" {
		t.Errorf("left: %+v", left)
	}
}

// An instrument that serves two stations falls silent: one alert, after its hold;
// boards that leave USB with it belong to it, and hurry it.
func TestSupplySilent(t *testing.T) {
	for _, dies := range []bool{false, true} {
		g := newRig(t, rule.Options{Stations: stations(2, "1-2.%d", "psu")})
		g.tick(at(-1))
		for id, s := range g.snaps {
			s.SupplyLost = at(0)
			g.event(id, bench.SupplyLost, 0, 3, bench.EventData{Why: []string{"no good reading for 3.0 s"}})
		}
		want(t, g.run(3, 4))
		if !dies {
			want(t, g.run(5, 12), "raise bench.power-lost.psu caution")
			for _, s := range g.snaps {
				s.SupplyLost = time.Time{}
			}
			want(t, g.run(13, 20), "return bench.power-lost.psu caution: all its stations are back")
			continue
		}
		want(t, g.drop("s01", bench.LinkLost, 0.3, 5.4), "raise bench.power-lost.psu caution")
		want(t, g.drop("s02", bench.LinkLost, 0.2, 5.6))
		for _, s := range g.snaps {
			s.SupplyLost = time.Time{}
		}
		want(t, g.tick(at(8)), "amend bench.power-lost.psu caution: more is known of its stations")
	}
}

// A supply that is only silent takes no goal: it is no danger, and waits as long
// as one station without readings does, also after a restart.
func TestSupplySilentIsNoDanger(t *testing.T) {
	o := rule.Options{Stations: stations(5, "1-2.%d", "psu")}
	g := newRig(t, o)
	g.snaps["s02"].Watch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalCopy}}
	g.tick(at(-1))
	for _, id := range sorted(g.snaps) {
		g.snaps[id].SupplyLost = at(0)
		want(t, g.event(id, bench.SupplyLost, 0, 3, bench.EventData{}))
	}
	want(t, g.run(3, 9))
	told := g.run(10, 12)
	want(t, told, "raise bench.power-lost.psu caution")
	if text := told[0].Alert.Text; !strings.HasPrefix(text, "No readings from 5 stations, 1 with a goal. ") {
		t.Error(text)
	}

	again := newRig(t, o)
	again.snaps = g.snaps
	again.r.Restore([]bench.AlertView{{Alert: told[0].Alert, Stands: true}})
	want(t, again.run(100, 120))
	want(t, again.drop("s02", bench.LinkLost, 0.5, 121), "amend bench.power-lost.psu danger: more is known of its stations")
	if text := again.r.Standing()[0].Text; !strings.HasPrefix(text, "1 station down, 4 silent, 1 with a goal. ") {
		t.Error(text)
	}
}

// Names that hold a comma are kept apart.
func TestNamesWithCommas(t *testing.T) {
	list := stations(2, "1-2.%d", "")
	list[0].Name = "Left, port 1"
	g := newRig(t, rule.Options{Stations: list})
	g.drop("s01", bench.LinkLost, 0, 5.1)
	g.drop("s02", bench.LinkLost, 0.4, 5.5)
	if why := g.r.Standing()[0].Why; !slices.Contains(why, "Left, port 1; B2") {
		t.Errorf("%q", why)
	}
}

// A wider cause takes in a narrower one.
func TestMainsTakesIn(t *testing.T) {
	all := append(stations(2, "1-%d", "left"), rule.Station{ID: "s03", Name: "B3", Supply: "right"})
	g := newRig(t, rule.Options{Stations: all})
	g.drop("s01", bench.Died, 0, 0.5)
	g.drop("s02", bench.Died, 0.1, 0.6)
	want(t, g.drop("s03", bench.Died, 0.2, 0.7), "raise bench.power-lost caution",
		"return bench.power-lost.left caution: part of Bench: power down, 3 stations 14:03:12")
}

func TestUSBWatchTakesIn(t *testing.T) {
	g := newRig(t, rule.Options{Stations: stations(3, "1-2.%d", "")})
	for _, id := range sorted(g.snaps) {
		g.snaps[id].USBLost = at(0)
		want(t, g.event(id, bench.USBLost, 0, 0, bench.EventData{Why: []string{"netlink: no buffer space"}}))
	}
	want(t, g.run(1, 5), "raise bench.usb-lost caution")
	want(t, g.drop("s02", bench.LinkLost, 6, 11))
	for _, id := range sorted(g.snaps) {
		g.snaps[id].USBLost = time.Time{}
	}
	want(t, g.event("s01", bench.USBBack, 20, 20, bench.EventData{}))
	g.event("s02", bench.USBBack, 20, 20, bench.EventData{})
	want(t, g.event("s03", bench.USBBack, 20, 20, bench.EventData{}),
		"return bench.usb-lost caution: the USB watch works again", "raise s02.dropped caution")
}

// What is grave is not kept waiting by its cause.
func TestUSBWatchIsHurried(t *testing.T) {
	g := newRig(t, rule.Options{Stations: stations(1, "1-2.%d", "")})
	s := g.snaps["s01"]
	s.USBLost, s.Watch = at(0), &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalCopy}}
	want(t, g.event("s01", bench.USBLost, 0, 0, bench.EventData{}))
	want(t, g.drop("s01", bench.LinkLost, 0.5, 1), "raise bench.usb-lost danger")
}

// The same facts give the same changes, in the same order.
func TestSameAgain(t *testing.T) {
	play := func() []string {
		list := mixedBench(40)
		g := newRig(t, rule.Options{Stations: list})
		for i, s := range list {
			g.drop(s.ID, []string{bench.Died, bench.LinkLost, bench.BrownOut}[i%3], 0.03*float64(i*7%40), 1.5)
		}
		g.run(2, 20)
		if n := countRaised(t, g.all); n > 12 {
			t.Errorf("%d alerts for one moment", n)
		}
		return brief(g.all)
	}
	first := play()
	for range 20 {
		if d := cmp.Diff(first, play()); d != "" {
			t.Fatal(d)
		}
	}
}

func TestUSBBlipIsQuiet(t *testing.T) {
	g := newRig(t, one())
	g.snaps["s01"].USBLost = at(0)
	g.event("s01", bench.USBLost, 0, 0, bench.EventData{})
	g.run(1, 4)
	g.snaps["s01"].USBLost = time.Time{}
	g.run(5, 20)
	want(t, g.all)
}

// Boards that live on from their supplies while their devices are away are a hub
// that is gone; one alone is told by nothing.
func TestDevicesAway(t *testing.T) {
	g := newRig(t, rule.Options{Stations: stations(2, "3-1.4.%d", "")})
	away := func(id string, since float64) {
		g.snaps[id].USB = bench.USBView{Gone: at(since), Overdue: true}
	}
	away("s01", 0)
	want(t, g.run(10, 12))
	away("s02", 0.5)
	want(t, g.run(13, 14), "raise bench.hub-lost.3-1 caution")
	if title := g.r.Standing()[0].Title; !strings.Contains(title, "hub 3-1.4 lost") {
		t.Error(title)
	}
	g.snaps["s01"].USB, g.snaps["s02"].USB = bench.USBView{Present: true}, bench.USBView{Present: true}
	want(t, g.run(15, 16), "return bench.hub-lost.3-1 caution: all its stations are back")
}

// fall is one station's drop in a story.
type fall struct {
	station int
	kind    string
	at      float64
}

// final plays falls in an order and returns what is left standing, without the
// moments.
func final(t testing.TB, list []rule.Station, falls []fall) (left []string, raised int) {
	g := newRig(t, rule.Options{Stations: list})
	for _, f := range falls {
		g.drop(list[f.station].ID, f.kind, f.at, 8)
	}
	for _, c := range g.all {
		if c.What == rule.Raise {
			raised++
		}
	}
	for _, a := range g.r.Standing() {
		left = append(left, fmt.Sprintf("%s %s %v %s", a.Point(), a.Severity, a.Others, strings.Join(a.Why, "|")))
	}
	slices.Sort(left)
	return left, raised
}

// mixedBench has hubs within hubs, shared supplies and stations with neither.
func mixedBench(n int) (out []rule.Station) {
	ports := []string{"1-1", "1-2.1", "1-2.3.1", "1-2.3.2", "2-1.1", "2-1.2", ""}
	for i := range n {
		s := rule.Station{ID: fmt.Sprintf("s%02d", i), Name: fmt.Sprintf("B%d", i), Port: ports[i%len(ports)]}
		if s.Port != "" && i >= len(ports) {
			s.Port += fmt.Sprintf(".%d", i)
		}
		if i%4 != 3 {
			s.Supply = fmt.Sprintf("psu%d", i%3)
		}
		out = append(out, s)
	}
	return out
}

func TestOrderMakesNoDifference(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		list := mixedBench(rapid.IntRange(2, 16).Draw(rt, "stations"))
		var falls []fall
		for i := range list {
			if rapid.IntRange(0, 3).Draw(rt, "falls") == 0 {
				continue
			}
			kind := rapid.SampledFrom([]string{bench.Died, bench.Reset, bench.BrownOut, bench.LinkLost}).Draw(rt, "kind")
			falls = append(falls, fall{i, kind, float64(rapid.IntRange(0, 60).Draw(rt, "at")) / 10})
		}
		first, _ := final(t, list, falls)
		again, _ := final(t, list, rapid.Permutation(falls).Draw(rt, "order"))
		if d := cmp.Diff(first, again); d != "" {
			rt.Fatalf("another order leaves something else (-first +again):\n%s", d)
		}
	})
}

// What stands is told exactly once, and what returned stood: whatever comes.
func TestStorm(t *testing.T) {
	if testing.Short() {
		t.Skip("10,000 events")
	}
	for _, n := range []int{8, 40} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			list := stations(n, "1-2.%d", "psu")
			g := newRig(t, rule.Options{Stations: list})
			ids := sorted(g.snaps)
			rounds := 10_000 / (3 * n)
			for round := range rounds {
				base := float64(100 * round)
				for _, s := range g.snaps { // every other time boards that only USB tells of
					s.Hookup.Path = []bench.PowerPath{bench.FromSupply, bench.FromBattery}[round%2]
				}
				for k := range n {
					id := ids[(k*7+round*3)%n] // another order each time: 7 divides neither 8 nor 40
					kind := []string{bench.Died, bench.LinkLost}[round%2]
					g.event(id, bench.RunDown, base+0.01*float64(k), base+0.5, bench.EventData{})
					g.drop(id, kind, base+0.01*float64(k), base+1)
				}
				for _, id := range ids {
					g.up(id, base+10)
					g.event(id, bench.RunStarted, base+10, base+10, bench.EventData{})
				}
				g.run(base+11, base+25)
				if left := g.r.Standing(); len(left) != 0 {
					t.Fatalf("round %d: %d alerts stand for ever: %v", round, len(left), left[0].Title)
				}
			}
			if raised := countRaised(t, g.all); raised != 2*rounds {
				t.Errorf("%d alerts rang in %d rounds", raised, rounds)
			}
		})
	}
}

// countRaised counts what rang, and holds each change against what stood. No
// occurrence is raised twice.
func countRaised(t rapid.TB, changes []rule.Change) (raised int) {
	t.Helper()
	stands, keys := map[bench.AlertPoint]string{}, map[string]bool{}
	severity := map[string]bench.Severity{}
	for _, c := range changes {
		p := c.Alert.Point()
		switch c.What {
		case rule.Raise:
			raised++
			if !c.Alert.Passing && (stands[p] != "" || keys[c.Alert.Key]) {
				t.Fatalf("%s was raised twice", c.Alert.Key)
			}
			if !c.Alert.Passing {
				stands[p] = c.Alert.Key
			}
			keys[c.Alert.Key], severity[c.Alert.Key] = true, c.Alert.Severity
		case rule.Amend, rule.Return:
			if stands[p] != c.Alert.Key {
				t.Fatalf("%s: %s of %q, %q stands", c.What, p, c.Alert.Key, stands[p])
			}
			if c.What == rule.Return {
				delete(stands, p)
			} else if c.Alert.Severity != severity[c.Alert.Key] {
				raised++
				severity[c.Alert.Key] = c.Alert.Severity
			}
		}
	}
	return raised
}
