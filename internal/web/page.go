package web

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/a-h/templ"

	"benchvigil/internal/access"
	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
)

// Look is the bench at one moment, and what every page says.
type Look struct {
	Bench, Banner, Version string
	HasNotice              bool   // there may be a notice
	Notice                 string // what everybody should know now
	Title                  string // for the browser's tab
	Assets                 string
	Live                   string   // the path of the stream that keeps the page up to date
	Phone                  bool     // it is made for a phone
	Theme, Chosen          string   // how it is lit there, and what was chosen
	Sheets, Scripts        []string // of its own, besides those of every page
	Answer                 Answer   // confirms what was just done without script
	Again                  string   // the path to load next without script; empty: the same
	Slow                   bool     // without script it loads itself less often: there is more to press
	Now                    string   // the bench's time of day
	Works                  bool     // whoever looks at it may do something
	Signed                 string   // who that is, where the bench knows: no name is asked
	CanMark                bool
	CanPush                bool // phones can subscribe to alerts
	Summary                Summary
	Grid                   Grid
	Legend                 []Severity
	Screens                []Choice
	Goals                  Goals
	HasAlerts              bool // alerts are kept
	HasTrail               bool // what people do is kept
	Alarms                 []Alarm
	Strip                  Strip

	hour    int                 // of the bench
	at      time.Time           // the bench's
	beside  map[string]DeskTile // what a desk shows besides the tiles
	outlets Outlets
}

// Choice is one screen that can be marked, and its key.
type Choice struct {
	Key    int
	Screen bench.Screen
}

func choices() []Choice {
	var out []Choice
	for i, s := range bench.Screens() {
		out = append(out, Choice{i + 1, s})
	}
	return out
}

// Front is the first page: the wall.
type Front struct{ Look }

// say confirms what was done until the page is loaded again.
func (l *Look) say(what Answer, path string) {
	if what.Said != "" {
		l.Answer, l.Again = what, path
	}
}

// Summary counts the tiles by severity.
type Summary struct {
	Title  string // for the browser's tab
	Counts []Count
}

// Count is how many tiles have a severity.
type Count struct {
	Severity Severity
	N        int
}

// Word names the severity as fits the number.
func (c Count) Word() string {
	if c.Severity == Action && c.N != 1 {
		return "need you"
	}
	return c.Severity.Word()
}

// Grid is all tiles.
type Grid struct {
	Density string
	Tiles   []Tile
}

// density names how many tiles share the screen.
func density(n int) string {
	switch {
	case n <= 1:
		return "one"
	case n <= 6:
		return "few"
	case n <= 12:
		return "some"
	}
	return "many"
}

// silentAfter is how long a station's snapshots may stand still, in real time,
// before its tile says so. They are renewed ten times a second.
const silentAfter = 2500 * time.Millisecond

// news notices stations whose snapshots have stopped coming.
type news struct {
	mu   sync.Mutex
	last map[string]heard
}

type heard struct {
	at   time.Time // bench time of the newest snapshot
	when time.Time // when it was new, by our own clock
}

// silent takes a look at a station's snapshot and reports whether it has not
// changed for too long.
func (n *news) silent(s *bench.Snapshot, now time.Time) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	was, known := n.last[s.Station]
	if !known || !was.at.Equal(s.At) {
		if n.last == nil {
			n.last = map[string]heard{}
		}
		n.last[s.Station] = heard{s.At, now}
		return false
	}
	return now.Sub(was.when) >= silentAfter
}

// look is the bench at one moment, ready to be rendered.
func (s *Site) look() Look {
	f := Look{
		Bench: s.o.Bench, Banner: s.o.Banner, Version: s.o.Version, Assets: s.assets, beside: map[string]DeskTile{},
		Works: true, HasTrail: s.hasTrail(),
		CanMark: s.o.Mark != nil, CanPush: s.o.Push != nil, Legend: severities, Screens: choices(), Goals: goals(),
	}
	if s.o.Notice != nil {
		f.HasNotice, f.Notice = true, s.o.Notice()
	}
	snapshots, now := s.o.Snapshots(), time.Now()
	var newest time.Time
	for i := range snapshots {
		one := &snapshots[i]
		t := tileOf(one, s.o.Zone, s.news.silent(one, now))
		if t.Number = i + 1; s.o.Mark == nil {
			t.Marks = nil
		}
		f.Grid.Tiles = append(f.Grid.Tiles, t)
		f.beside[one.Station] = beside(one, s.o.Zone)
		if one.At.After(newest) {
			newest = one.At
		}
	}
	if newest.IsZero() {
		newest = now
	}
	f.hour, f.at = newest.In(s.o.Zone).Hour(), newest
	f.Now = newest.In(s.o.Zone).Format(time.TimeOnly)
	c := clock{s.o.Zone, newest}
	if s.o.Alerts != nil {
		f.HasAlerts = true
		f.showAlerts(s.o.Alerts(), c)
	}
	f.outlets = s.outletsNow(c)
	f.Grid.Density = density(len(snapshots))
	f.Summary = summarise(f.Grid.Tiles, s.o.Bench)
	f.Title = f.Summary.Title
	return f
}

// lookOf is the bench at one moment for whoever asks.
func (s *Site) lookOf(r *http.Request) Look {
	l, who := s.look(), access.Of(r.Context())
	l.Signed, l.Chosen = who.Name, chosenTheme(r)
	l.Theme = themeOf(l.Chosen, l.hour)
	if !who.Works() {
		l.onlyView()
	}
	return l
}

// onlyView takes away everything that can be pressed. What others see stays.
func (l *Look) onlyView() {
	l.Works, l.CanMark, l.outlets.Test = false, false, false
	l.Alarms, l.Strip.Alarms = unable(l.Alarms), unable(l.Strip.Alarms)
	l.outlets.All = slices.Clone(l.outlets.All)
	for i := range l.outlets.All {
		l.outlets.All[i].Test = false
	}
	l.Grid.Tiles = slices.Clone(l.Grid.Tiles)
	for i := range l.Grid.Tiles {
		t := &l.Grid.Tiles[i]
		t.Marks, t.Alarms = nil, unable(t.Alarms)
		if t.Call != nil {
			call := *t.Call
			call.Works = false
			t.Call = &call
		}
	}
}

// unable are alerts that whoever looks at them can do nothing about.
func unable(alarms []Alarm) []Alarm {
	alarms = slices.Clone(alarms)
	for i := range alarms {
		alarms[i].Works = false
	}
	return alarms
}

func summarise(tiles []Tile, name string) Summary {
	var n [len(severityNames)]int
	for _, t := range tiles {
		n[t.Severity]++
	}
	var out Summary
	var urgent []string
	for _, v := range severities {
		if n[v] == 0 {
			continue
		}
		count := Count{v, n[v]}
		out.Counts = append(out.Counts, count)
		if v > Normal {
			urgent = append(urgent, fmt.Sprintf("%d %s", count.N, count.Word()))
		}
	}
	out.Title = strings.Join(append(urgent, name), " · ")
	return out
}

func (s *Site) serveFront(w http.ResponseWriter, r *http.Request) {
	l := s.lookOf(r)
	l.Live = "/live"
	l.say(s.answered(r, "/"), "/")
	s.serve(w, http.StatusOK, frontPage(&Front{l}))
}

// serve answers with a page.
func (s *Site) serve(w http.ResponseWriter, code int, page templ.Component) {
	b, err := render(page)
	if err != nil {
		s.o.Logger.Error("the page cannot be rendered", logkey.Err(err))
		http.Error(w, "The page cannot be rendered; the log says why.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_, _ = w.Write(b) // the client has gone
}

// render writes a component into memory, so that a failure never leaves half a
// page.
func render(c templ.Component) ([]byte, error) {
	var b bytes.Buffer
	if err := c.Render(context.Background(), &b); err != nil {
		return nil, fmt.Errorf("render: %w", err)
	}
	return b.Bytes(), nil
}
