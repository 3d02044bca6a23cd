package web

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"

	"benchvigil/internal/bench"
)

// List is the first page for a phone: the most urgent station first.
type List struct {
	Look
	Roll Roll
}

// Rows are the tiles by urgency; equals keep the order of the bench.
func (l *Look) Rows() []Tile {
	rows := slices.Clone(l.Grid.Tiles)
	slices.SortStableFunc(rows, func(a, b Tile) int { return cmp.Compare(b.Severity, a.Severity) })
	return rows
}

// One is the page of one station for a phone.
type One struct {
	Look
	Tile Tile
}

func (s *Site) serveList(w http.ResponseWriter, r *http.Request) {
	l, chosen := s.lookOf(r), chosenBy(r)
	l.Phone, l.Live = true, "/live?list"+andAck(chosen)
	l.say(s.answered(r, "/m"), "/m")
	s.serve(w, http.StatusOK, listPage(&List{l, l.roll("/m", chosen).fold()}))
}

func (s *Site) serveOne(w http.ResponseWriter, r *http.Request) {
	l, id := s.lookOf(r), r.PathValue("station")
	t, ok := l.tile(id)
	if !ok {
		s.refuse(w, r, http.StatusNotFound, "There is no such station on this bench.")
		return
	}
	l.Phone, l.Live, l.Title = true, "/live?station="+url.QueryEscape(id), t.Title()
	l.say(s.answered(r, phonePath(id)), phonePath(id))
	s.serve(w, http.StatusOK, onePage(&One{l, t}))
}

// Title is the tile for the browser's tab.
func (t Tile) Title() string { return t.State + " · " + t.Name }

// tile finds a station's tile, as it stands alone.
func (l *Look) tile(station string) (Tile, bool) { return l.tileFor(station, phonePath(station)) }

// tileFor is the same for a page whose forms go back to it.
func (l *Look) tileFor(station, back string) (Tile, bool) {
	i := slices.IndexFunc(l.Grid.Tiles, func(t Tile) bool { return t.Station == station })
	if i < 0 {
		return Tile{}, false
	}
	t := l.Grid.Tiles[i]
	t.Number = 0 // alone there
	t.Alarms = reach(going(t.Alarms, back))
	return t, true
}

func (s *Site) find(station string) (bench.Snapshot, bool) {
	for _, one := range s.o.Snapshots() {
		if one.Station == station {
			return one, true
		}
	}
	return bench.Snapshot{}, false
}

func nameOf(s *bench.Snapshot) string { return cmp.Or(s.Name, s.Station) }

// phonePath is the page of a station on a phone.
func phonePath(station string) string { return "/m/" + url.PathEscape(station) }

// waitsFor is what a station waits for, in one line.
func (t *Tile) waitsFor() string {
	switch {
	case t.Left == "":
		return t.Wait
	case t.Goal != "":
		return t.Wait + " " + t.Until + " in " + t.Left
	}
	return t.Wait + ", " + t.Until + " in " + t.Left
}
