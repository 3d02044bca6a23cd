package web

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// The list has the most urgent station first; equals keep their order.
func TestListByUrgency(t *testing.T) {
	root := page(t, marking(t, &marked{}), "/m")
	last := Danger
	n := 0
	for _, li := range all(root, "li", "row") {
		var severity Severity
		for _, v := range severities {
			if hasClass(li, v.String()) {
				severity = v
			}
		}
		if severity > last {
			t.Errorf("%q comes after something that is only %v", text(li), last)
		}
		if text(one(t, li, "strong", "state")) == "" || len(all(li, "use", "")) != 1 {
			t.Errorf("%q has no word or no sign", text(li))
		}
		if got, want := attribute(one(t, li, "a", ""), "href"), "/m/"+strings.TrimPrefix(attribute(li, "id"), "row-"); got != want {
			t.Errorf("a row leads to %s, want %s", got, want)
		}
		last = severity
		n++
	}
	if n != len(allStates()) {
		t.Errorf("%d rows, want %d", n, len(allStates()))
	}
	l := Look{Grid: Grid{Tiles: []Tile{{Station: "a"}, {Station: "b", Severity: Danger}, {Station: "c"}, {Station: "d", Severity: Danger}}}}
	var order []string
	for _, r := range l.Rows() {
		order = append(order, r.Station)
	}
	if diff := cmp.Diff([]string{"b", "d", "a", "c"}, order); diff != "" || l.Grid.Tiles[0].Station != "a" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// The page of a station says what its tile says, and earlier events too.
func TestStationPage(t *testing.T) {
	states := allStates()
	o := marking(t, &marked{})
	for i, c := range states {
		t.Run(c.what, func(t *testing.T) {
			root := page(t, o, "/m/"+someStations(i + 1)[i].Station)
			want := tileOf(&c.s, time.UTC, false)
			read := text(one(t, root, "article", "tile"))
			for _, s := range []string{want.Name, want.State, want.Mode, want.Uptime, want.Wait, want.Window, want.End, want.Amps, want.Volts, want.Reading, want.Bus, want.Warmth, want.Hands, want.HandsLeft, want.Seen, want.SeenBy, want.USB, want.Counts} {
				if !strings.Contains(read, s) {
					t.Errorf("%q cannot be read in: %s", s, read)
				}
			}
			if got := len(all(root, "li", "")) - len(want.Troubles) - len(want.Notes); got != len(c.s.Recent) {
				t.Errorf("%d events, want %d", got, len(c.s.Recent))
			}
			if got := text(one(t, root, "title", "")); got != want.State+" · "+want.Name {
				t.Errorf("the title is %q", got)
			}
		})
	}
}

// The wall and the phone pages lead to each other, and each has its stream.
func TestPagesLead(t *testing.T) {
	o := marking(t, &marked{})
	for path, want := range map[string]struct {
		live  string
		links []string
	}{
		"/":      {"/live", []string{"/", "/wall", "/m", "/history"}},
		"/m":     {"/live?list", []string{"/"}},
		"/m/s-3": {"/live?station=s-3", []string{"/m", "/#station-s-3", "/station/s-3#whole"}},
	} {
		root := page(t, o, path)
		var links []string
		for _, a := range all(one(t, root, "nav", ""), "a", "") {
			links = append(links, attribute(a, "href"))
		}
		if got := attribute(one(t, root, "html", ""), "data-live"); got != want.live || !cmp.Equal(links, want.links) {
			t.Errorf("%s has the stream %q and leads to %q, want %q and %q", path, got, links, want.live, want.links)
		}
	}
}

// Who has a screen reader hears what was marked, and a tile has a name.
func TestSpoken(t *testing.T) {
	o := marking(t, &marked{})
	for _, path := range []string{"/", "/m/s-1"} {
		root := page(t, o, path)
		for _, n := range all(root, "article", "tile") {
			if label := attribute(n, "aria-label"); attribute(n, "tabindex") != "-1" || !strings.Contains(label, ": ") {
				t.Errorf("%s: a tile has the label %q and cannot be selected", path, label)
			}
		}
		for _, d := range all(root, "dialog", "") {
			title := attribute(d, "aria-labelledby")
			found := false
			for _, h := range all(d, "h2", "") {
				found = found || attribute(h, "id") == title
			}
			if !found {
				t.Errorf("%s: the dialog %q has no title", path, attribute(d, "id"))
			}
		}
	}
}

func TestPeople(t *testing.T) {
	s := changed(running(), func(s *bench.Snapshot) {
		s.HandsOn = night.Add(6*time.Minute + 48*time.Second)
		s.Screen = bench.ScreenView{Screen: bench.ScreenLock, At: ago(32 * time.Second), By: "kim"}
	})
	got := tileNow(s)
	want := []string{"03:05:00", "6 min 48 s", "lock screen", "kim, 02:57:40"}
	if diff := cmp.Diff(want, []string{got.Hands, got.HandsLeft, got.Seen, got.SeenBy}); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	s.Screen.By = ""
	if got := tileNow(s).SeenBy; got != "02:57:40" {
		t.Errorf("seen by nobody known: %q", got)
	}
	root := front(t, options(t, s))
	if got := text(one(t, root, "p", "hands")); got != "Hands on until 03:05:00, 6 min 48 s left alerts wait, nothing is counted" {
		t.Errorf("hands: %q", got)
	}
}

// What USB bus power gives stands beside the supply's reading, with its age.
func TestBus(t *testing.T) {
	metered := func(age time.Duration) func(*bench.Snapshot) {
		return func(s *bench.Snapshot) {
			s.VBUS = bench.ReadingView{At: ago(age), Volts: unit.Some(5020 * unit.Millivolt), Amps: unit.Some(480 * unit.Milliampere)}
		}
	}
	feeds := func(s *bench.Snapshot) { s.Hookup.VBUS = true }
	battery := func(s *bench.Snapshot) { s.Hookup.Path = bench.FromBattery }
	for _, tc := range []struct {
		name  string
		by    []func(*bench.Snapshot)
		bus   string
		notes []string
	}{
		{"supply alone", nil, "", nil},
		{"supply and meter", []func(*bench.Snapshot){metered(0)}, "VBUS 480 mA, 5.020 V", nil},
		{"fed, no meter", []func(*bench.Snapshot){feeds}, "and VBUS, no meter", []string{"Output off does not mean off: USB bus power feeds this board."}},
		{"fed, an old reading", []func(*bench.Snapshot){feeds, metered(12 * time.Second)}, "VBUS 480 mA, 5.020 V, read 12 s ago", []string{"Output off does not mean off: USB bus power feeds this board."}},
		{"battery, fed too", []func(*bench.Snapshot){battery, feeds, metered(0)}, "VBUS 480 mA, 5.020 V", []string{"USB bus power feeds this board beside its battery."}},
	} {
		got := tileNow(changed(running(), tc.by...))
		if got.Bus != tc.bus || !cmp.Equal(judgedOf(got).Notes, tc.notes) {
			t.Errorf("%s: %q, %q; want %q, %q", tc.name, got.Bus, judgedOf(got).Notes, tc.bus, tc.notes)
		}
	}
}

func TestWarmth(t *testing.T) {
	for age, want := range map[time.Duration]string{0: "31.4 °C", bench.TemperatureLasts: "31.4 °C", 5 * time.Minute: "31.4 °C at 02:53:12"} {
		s := changed(running(), func(s *bench.Snapshot) { s.Temperature = bench.TemperatureView{At: ago(age), Celsius: 31_400} })
		if got := tileNow(s).Warmth; got != want {
			t.Errorf("measured %v ago: %q, want %q", age, got, want)
		}
	}
	if got := tileNow(running()).Warmth; got != "" {
		t.Errorf("never measured: %q", got)
	}
}
