package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"

	"benchvigil/internal/bench"
)

// Answer says what came of what was just done.
type Answer struct {
	Said  string
	About string // the station or the alert
	Wrong bool   // nothing was done
	Undo  *Undo  // how to take it back; nil: it cannot be, or its own button is near
}

// Undo is a form that takes back what was just done.
type Undo struct {
	Path        string // where the form goes
	Class       string // of the form
	Name, Value string // of its button
	Back        string // the page that it goes back to
	Word        string // on the button
}

// inPlace reports a request of a script that shows the answer where the page
// stands, instead of the next page. It is asked for as htmx does.
func inPlace(r *http.Request) bool { return r.Header.Get("HX-Request") == "true" }

// answer says in place what was done, or goes to the page that says so.
func (s *Site) answer(w http.ResponseWriter, r *http.Request, a Answer, next string) {
	if inPlace(r) {
		s.serve(w, http.StatusOK, answerPart(a))
		return
	}
	http.Redirect(w, r, next, http.StatusSeeOther)
}

// deedsDone are the words that confirm what was done about an alert.
var deedsDone = map[string]string{
	string(bench.DeedAcknowledge): "Acknowledged: you see to it.",
	string(bench.DeedShelve):      "Shelved: it comes back by itself.",
	string(bench.DeedUnshelve):    "No longer shelved.",
	string(bench.DeedTakeOut):     "Out of service, until somebody puts it back.",
	string(bench.DeedPutBack):     "Back in service.",
	"test":                        "A test was sent: see below what became of it.",
}

// undoneBy are the deeds and marks that take back others.
var undoneBy = map[string]string{
	string(bench.DeedShelve): string(bench.DeedUnshelve), string(bench.DeedTakeOut): string(bench.DeedPutBack),
	bench.MarkStop: bench.MarkResume, bench.MarkHandsOn: bench.MarkHandsOff, bench.MarkHandsOff: bench.MarkHandsOn, bench.MarkArm: bench.MarkDisarm,
}

// deedDone confirms what was done about the alert of that key.
func (s *Site) deedDone(deed, key, back string) Answer {
	a := Answer{Said: deedsDone[deed], About: s.titleOf(key)}
	if undo := undoneBy[deed]; undo != "" && key != "" {
		a.Undo = &Undo{Path: string(actPath(key)), Class: "acts", Name: "do", Value: undo, Back: back, Word: "Undo"}
	}
	return a
}

func (s *Site) titleOf(key string) string {
	if s.o.Alerts == nil || key == "" {
		return ""
	}
	for _, v := range s.o.Alerts() {
		if v.Key == key || v.Point().String() == key {
			return v.Title
		}
	}
	return ""
}

// markDone confirms a mark on a station.
func markDone(kind string, one *bench.Snapshot) Answer {
	if !slices.Contains(bench.MarkKinds(), kind) {
		return Answer{}
	}
	a := Answer{Said: "Marked: " + strings.ReplaceAll(kind, "-", " ") + "."}
	if one == nil {
		return a
	}
	a.About = nameOf(one)
	if undo := undoneBy[kind]; undo != "" {
		a.Undo = &Undo{Path: phonePath(one.Station) + "/marks", Class: "marks", Name: "mark", Value: undo, Word: "Undo"}
	}
	return a
}

// answered is what the page before has done, of a browser without script.
func (s *Site) answered(r *http.Request, back string) Answer {
	q := r.URL.Query()
	if deed := q.Get("done"); deedsDone[deed] != "" {
		return s.deedDone(deed, short(q.Get("key")), back)
	}
	if one, ok := s.find(r.PathValue("station")); ok {
		return markDone(q.Get("marked"), &one)
	}
	return markDone(q.Get("marked"), nil)
}

// short is a key in an address, if it can be one.
func short(key string) string {
	if len(key) > mostKey {
		return ""
	}
	return key
}

// done is the page to go back to, and what it is to confirm.
func done(back, deed, key string) string {
	q := url.Values{"done": {deed}}
	if undoneBy[deed] != "" {
		q.Set("key", key)
	}
	return back + "?" + q.Encode()
}
