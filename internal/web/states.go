package web

import (
	"net/http"
	"slices"

	"github.com/a-h/templ"
)

// All is the page for review: every state that a station can be in, side by
// side. It stands still.
type All struct {
	Look
	As     string // how many tiles seem to share the screen; empty: all of each is shown
	States []state
}

// state is the tile of one station, and what it is there to show.
type state struct {
	What, Station string
	tile          templ.Component
}

func (s *Site) serveStates(w http.ResponseWriter, r *http.Request) {
	l := s.look()
	l.Title, l.Sheets = "All states · "+s.o.Bench, []string{"states.css"}
	p := &All{Look: l, States: s.states(&l)}
	if as := r.URL.Query().Get("as"); slices.Contains(densities(), as) {
		p.As = as
	}
	s.serve(w, http.StatusOK, allStatesPage(p))
}

func densities() []string { return []string{"one", "few", "some", "many"} }

// states are the tiles as the wall has them.
func (s *Site) states(l *Look) (out []state) {
	for _, e := range (view{}).parts(l) {
		if t, ok := e.data.(Tile); ok {
			out = append(out, state{s.o.States[t.Station], t.Station, e.component})
		}
	}
	return out
}
