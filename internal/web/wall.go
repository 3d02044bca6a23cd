package web

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
)

// screen is what the wall of a television was asked for, in its address. It is
// part of what its stream is told apart by.
type screen struct {
	on    bool   // the view is the wall of a television
	only  string // the stations that it shows, by commas; empty: all
	night string // when it is dimmed, as parseNight reads it
}

// mostOnly is how much of a list of stations is read.
const mostOnly = 2000

func screenOf(q url.Values) screen {
	s := screen{only: q.Get("only"), night: q.Get("night")}
	s.only = s.only[:min(len(s.only), mostOnly)]
	s.night = s.night[:min(len(s.night), len("22-06 or so"))]
	return s
}

// live is the address of the stream.
func (s screen) live() string {
	q := url.Values{"wall": {""}}
	if s.only != "" {
		q.Set("only", s.only)
	}
	if s.night != "" {
		q.Set("night", s.night)
	}
	return "/live?" + q.Encode()
}

// Wall is what a television shows of the bench.
type Wall struct {
	Look
	arrangement
	Dense  bool
	Tiles  []Tile
	Urgent []Urgent
	Wrong  string // what is wrong with its address
	Dim    Dim
}

// Urgent is one plate in the line at the top: who needs somebody, and why.
type Urgent struct {
	Severity    Severity
	Name, State string
	Seen        bool // somebody sees to it
}

// Dim is how the whole picture is lit, and where it stands.
type Dim struct {
	Night bool
	Shift int
}

// wall is the bench as a television shows it. Nothing can be pressed there.
func (s screen) wall(l *Look) *Wall {
	night, err := parseNight(s.night)
	w := &Wall{Look: *l, Dim: Dim{night.has(l.hour), shiftAt(l.at)}}
	w.onlyView()
	var unknown []string
	w.Tiles, unknown = chosenTiles(w.Grid.Tiles, s.only)
	var wrong []string
	if len(unknown) > 0 {
		wrong = append(wrong, "No station here is called "+strings.Join(unknown, ", ")+": mend only= in the address.")
	}
	if err != nil {
		wrong = append(wrong, capital(err.Error())+".")
	}
	w.Wrong = strings.Join(wrong, " ")
	w.arrangement, w.Dense = arrange(len(w.Tiles)), len(w.Tiles) >= manyTiles
	w.Summary = summarise(w.Tiles, l.Bench)
	w.Urgent = urgent(w.Tiles, w.Strip.Alarms)
	return w
}

// chosenTiles are those whose stations are named, in the bench's order, and the
// names that no station has. No name chooses all.
func chosenTiles(all []Tile, only string) (tiles []Tile, unknown []string) {
	if only == "" {
		return all, nil
	}
	names := strings.Split(only, ",")
	for _, name := range names {
		if !slices.ContainsFunc(all, func(t Tile) bool { return t.Station == name }) && name != "" {
			unknown = append(unknown, fmt.Sprintf("%.40q", name))
		}
	}
	for _, t := range all {
		if slices.Contains(names, t.Station) {
			tiles = append(tiles, t)
		}
	}
	return tiles, unknown
}

// urgent lists who needs somebody, most urgent first; what nobody sees to yet
// comes before what somebody does.
func urgent(tiles []Tile, ofBench []Alarm) []Urgent {
	var out []Urgent
	for i := range ofBench {
		if a := &ofBench[i]; a.Severity > Normal {
			out = append(out, Urgent{a.Severity, "Bench", strings.TrimPrefix(a.Title, "Bench: "), a.Seen})
		}
	}
	for i := range tiles {
		if t := &tiles[i]; t.Severity > Normal {
			a := t.toldAlarm()
			out = append(out, Urgent{t.Severity, t.Name, t.State, a != nil && a.Seen})
		}
	}
	slices.SortStableFunc(out, func(a, b Urgent) int {
		return cmp.Or(compareBool(a.Seen, b.Seen), cmp.Compare(b.Severity, a.Severity))
	})
	return out
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

// toldAlarm is the alert of the station's own that its tile on the wall tells of: the
// one that calls for somebody, else the first that somebody sees to, else any
// that waits. nil: none.
func (t *Tile) toldAlarm() *Alarm {
	if t.Call != nil {
		return t.Call
	}
	for _, fits := range []func(*Alarm) bool{
		func(a *Alarm) bool { return a.Seen },
		func(a *Alarm) bool { return a.Waits },
	} {
		for i := range t.Alarms {
			if a := &t.Alarms[i]; a.Station == t.Station && fits(a) {
				return a
			}
		}
	}
	return nil
}

// serveWall answers with the wall of a television.
func (s *Site) serveWall(w http.ResponseWriter, r *http.Request) {
	l := s.lookOf(r)
	to := screenOf(r.URL.Query())
	p := to.wall(&l)
	p.Live, p.Title, p.Sheets = to.live(), p.Summary.Title, []string{"wall.css"}
	s.serve(w, http.StatusOK, wallPage(p))
}

// expected is between which moments the work under way should end: half of those
// before were over at the first, 9 of 10 at the second.
func expected(at time.Time, median, most time.Duration, c clock) string {
	from, to := c.minute(at.Add(median)), c.minute(at.Add(most))
	if from == to {
		return from
	}
	return from + "–" + to
}
