package web

import (
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
)

func TestArrange(t *testing.T) {
	for n, want := range map[int]arrangement{
		0: {1, 1, 1}, 1: {1, 1, 1}, 2: {2, 1, 1}, 6: {3, 2, 2}, 8: {4, 3, 2}, 12: {4, 3, 2}, 20: {5, 4, 3}, 40: {8, 6, 4},
	} {
		if got := arrange(n); got != want {
			t.Errorf("%d tiles: %+v, want %+v", n, got, want)
		}
	}
}

// The style sheet has a rule for every arrangement that there can be.
func TestArrangementsHaveRules(t *testing.T) {
	css, err := os.ReadFile("assets/wall.css")
	if err != nil {
		t.Fatal(err)
	}
	for n := range 41 {
		w := Wall{arrangement: arrange(n)}
		b, err := render(wallGrid(&w))
		if err != nil {
			t.Fatal(err)
		}
		for _, class := range regexp.MustCompile(`(wide|square|tall)-\d+`).FindAllString(string(b), -1) {
			if !strings.Contains(string(css), "."+class+" {") && class != "square-1" {
				t.Errorf("%d tiles: no rule for %s", n, class)
			}
		}
	}
	for i := 1; i < shifts; i++ {
		if !strings.Contains(string(css), ".at-"+string(rune('0'+i))+")") {
			t.Errorf("no rule for the place %d of the picture", i)
		}
	}
}

func TestNight(t *testing.T) {
	for text, want := range map[string]string{
		"": "22 23 0 1 2 3 4 5", "21-3": "21 22 23 0 1 2", "1-3": "1 2", "off": "", "5-5": "",
		"on":    "0 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20 21 22 23",
		"24-06": "wrong", "22": "wrong", "-": "wrong", "a-b": "wrong",
	} {
		n, err := parseNight(text)
		if (err != nil) != (want == "wrong") {
			t.Errorf("%q: error %v", text, err)
		}
		if err != nil {
			if n != usualNight || !strings.Contains(err.Error(), "22-6") {
				t.Errorf("%q: %v, %v; want the usual night and what to write", text, n, err)
			}
			continue
		}
		var hours []int
		for _, h := range strings.Fields(want) {
			at, _ := time.Parse("15", h)
			hours = append(hours, at.Hour())
		}
		for h := range 24 {
			if n.has(h) != slices.Contains(hours, h) {
				t.Errorf("%q at %d: %v", text, h, n.has(h))
			}
		}
	}
}

// The picture moves once a minute, and takes every place.
func TestShift(t *testing.T) {
	seen := map[int]bool{}
	for m := range shifts {
		at := night.Truncate(time.Minute).Add(time.Duration(m) * time.Minute)
		if shiftAt(at) != shiftAt(at.Add(59*time.Second)) {
			t.Errorf("it moves within minute %d", m)
		}
		seen[shiftAt(at)] = true
	}
	if len(seen) != shifts || shiftAt(time.Unix(-61, 0)) < 0 {
		t.Errorf("places: %v", seen)
	}
}

// The wall shows every station, or those that are asked for, in the bench's
// order; what is unknown is said. Nothing on it can be pressed.
func TestWall(t *testing.T) {
	o := marking(t, &marked{})
	o.Alerts = cannedAlerts
	o.Snapshots = func() []bench.Snapshot { return someStations(6) }
	for path, want := range map[string]struct {
		stations string
		wrong    string
	}{
		"/wall":                     {stations: "s-1 s-2 s-3 s-4 s-5 s-6"},
		"/wall?only=s-4,s-2":        {stations: "s-2 s-4"},
		"/wall?only=s-2,<x>":        {stations: "s-2", wrong: `No station here is called "<x>": mend only= in the address.`},
		"/wall?only=nowhere":        {wrong: `No station here is called "nowhere": mend only= in the address.`},
		"/wall?only=s-1&night=dark": {stations: "s-1", wrong: "Night=dark is not understood: write on, off, or two hours such as 22-6."},
	} {
		root := page(t, o, path)
		var got []string
		for _, tile := range all(root, "article", "tile") {
			got = append(got, attribute(tile, "data-of"))
		}
		wanted := strings.Fields(want.stations)
		if diff := cmp.Diff(strings.Join(wanted, " "), strings.Join(got, " ")); diff != "" {
			t.Errorf("%s (-want +got):\n%s", path, diff)
		}
		if got := text(one(t, root, "p", "notice")); got != want.wrong {
			t.Errorf("%s says %q, want %q", path, got, want.wrong)
		}
		if n := len(all(root, "button", "")) + len(all(root, "form", "")); n != 0 {
			t.Errorf("%s has %d buttons and forms", path, n)
		}
		query, _ := url.ParseQuery(strings.TrimPrefix(attribute(one(t, root, "html", ""), "data-live"), "/live?"))
		asked, _ := url.ParseQuery(strings.TrimPrefix(strings.TrimPrefix(path, "/wall"), "?"))
		if v := viewOf(query); !v.screen.on || v.screen.only != asked.Get("only") || v.screen.night != asked.Get("night") {
			t.Errorf("%s has the stream of %+v", path, v)
		}
	}
}

// Who needs somebody most comes first, and whom somebody sees to comes last.
func TestUrgent(t *testing.T) {
	tiles := []Tile{
		{Station: "a", Name: "A", Severity: Action, State: "No readings"},
		{Station: "b", Name: "B", Severity: Normal, State: "Up"},
		{Station: "c", Name: "C", Severity: Danger, State: "Dropped", Alarms: []Alarm{{Station: "c", Seen: true}}},
		{Station: "d", Name: "D", Severity: Abnormal, State: "Stalled", Alarms: []Alarm{{Station: "x", Seen: true}}},
	}
	want := []Urgent{
		{Danger, "Bench", "The disk is full", false}, {Abnormal, "D", "Stalled", false}, {Action, "A", "No readings", false}, {Danger, "C", "Dropped", true},
	}
	if diff := cmp.Diff(want, urgent(tiles, []Alarm{{Severity: Danger, Title: "Bench: The disk is full"}, {Severity: Neutral, Title: "News"}})); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestExpected(t *testing.T) {
	c := clock{time.UTC, night} // 02:58:12
	if got := expected(night, 14*time.Minute, 42*time.Minute, c); got != "03:12–03:40" {
		t.Errorf("%q", got)
	}
	if got := expected(night, time.Second, 2*time.Second, c); got != "02:58" {
		t.Errorf("%q", got)
	}
}

// The colours of the night are those of the dark.
func TestNightColours(t *testing.T) {
	b, err := os.ReadFile("assets/wall.css")
	if err != nil {
		t.Fatal(err)
	}
	block := regexp.MustCompile(`(?s)\n:root:has\(#dim\.night\) \{.*?\n\}`).Find(b)
	got := map[string]string{}
	for _, m := range property.FindAllSubmatch(block, -1) {
		got[string(m[1])] = string(m[2])
	}
	_, want := properties(t, "style.css")
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Only what ticks is sent while nothing else changes.
func TestTicksAlone(t *testing.T) {
	all := someStations(3)
	o := options(t)
	o.Snapshots = func() []bench.Snapshot { return all }
	s, shown, v := newSite(t, o), shown{}, view{screen: screen{on: true}}
	l := s.look()
	s.changes(&l, v, shown)
	all = slices.Clone(all)
	all[0] = later(all[0], time.Second)
	l = s.look()
	got := string(s.changes(&l, v, shown))
	if !strings.Contains(got, "event: ticks\n") || !strings.Contains(got, `"s-1":{`) || strings.Contains(got, `"s-2":{`) || strings.Contains(got, "<article") {
		t.Errorf("a second later there comes %s", got)
	}
}
