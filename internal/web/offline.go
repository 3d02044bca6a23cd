package web

import "net/http"

// serveOffline is the page that a phone keeps for when it does not reach the
// bench. It says nothing that could be old, and nothing of any board.
func (s *Site) serveOffline(w http.ResponseWriter, _ *http.Request) {
	l := Look{Bench: s.o.Bench, Title: "No way to the bench", Phone: true, Assets: s.assets}
	s.serve(w, http.StatusOK, offlinePage(&l))
}

func ofBench(l *Look) string {
	if l.Bench == "" {
		return ""
	}
	return " of " + l.Bench
}
