package web

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/access"
	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
)

// Marks is what a person can say about a station right now.
type Marks struct {
	Stop  bool   // a run goes on that can be stopped
	Go    bool   // a run was stopped that can go on: the stop may have been a mistake
	Hands bool   // hands are on
	Mine  bool   // a drop is so fresh that somebody may say it was theirs
	Goal  string // what is armed, and can be done or disarmed
	Ended bool   // how the last goal ended can be put away
}

func marksOf(s *bench.Snapshot) *Marks {
	m := &Marks{Stop: s.Run != nil, Go: s.Resumable(), Hands: !s.HandsOn.IsZero(), Mine: s.Dropped(bench.MineWithin), Ended: s.LastWatch != nil || s.Forgotten != nil}
	if s.Watch != nil {
		m.Goal = s.Watch.Goal.String()
	}
	return m
}

// Ask is a page that asks for what a mark still needs, or says why there is
// none. Pages with script ask in place; this is for those without.
type Ask struct {
	Look
	Station, Name string
	What          string // "stop", "screen", "note", "goal" or "refused"
	Watch         *Marks // of a goal: what is armed
	By            string // who answered before
	Text          string // why it was refused
}

// asks are the marks that need more than one tap without script.
var asks = []string{bench.MarkStop, bench.MarkScreen, bench.MarkNote, askGoal}

// askGoal asks for the marks about goals.
const askGoal = "goal"

func (s *Site) serveAsk(w http.ResponseWriter, r *http.Request) {
	one, ok := s.find(r.PathValue("station"))
	what := r.PathValue("what")
	if !ok || s.o.Mark == nil || !access.Of(r.Context()).Works() || !slices.Contains(asks, what) {
		s.refuse(w, r, http.StatusNotFound, "There is no such station or question.")
		return
	}
	l := s.lookOf(r)
	l.Phone = true
	s.serve(w, http.StatusOK, askPage(&Ask{
		Look: l, Station: one.Station, Name: nameOf(&one), What: what, By: signature(r), Watch: marksOf(&one),
	}))
}

// refuse says in words why a page or a mark is not there.
func (s *Site) refuse(w http.ResponseWriter, r *http.Request, code int, why string) {
	if inPlace(r) {
		s.serve(w, code, answerPart(Answer{Said: "Not done. " + why, Wrong: true}))
		return
	}
	l := s.lookOf(r)
	l.Phone = true
	s.serve(w, code, askPage(&Ask{Look: l, Station: r.PathValue("station"), What: "refused", Text: why}))
}

// maxForm bounds a form, in bytes.
const maxForm = 8 << 10

// serveMark takes a mark from a form and goes back to the page it stood on.
func (s *Site) serveMark(back func(station, kind string) string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		one, ok := s.find(r.PathValue("station"))
		if !ok {
			s.refuse(w, r, http.StatusNotFound, fmt.Sprintf("There is no station %q on this bench.", r.PathValue("station")))
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxForm)
		if err := r.ParseForm(); err != nil {
			s.refuse(w, r, http.StatusUnprocessableEntity, "The form cannot be read: "+err.Error()+".")
			return
		}
		m, err := markOf(r.PostForm)
		switch {
		case errors.Is(err, errUnsure):
			http.Redirect(w, r, "/m/"+url.PathEscape(one.Station)+"/stop", http.StatusSeeOther)
			return
		case err != nil:
			s.refuse(w, r, http.StatusUnprocessableEntity, capital(err.Error())+".")
			return
		}
		if err := one.Fits(m); err != nil {
			s.refuse(w, r, http.StatusConflict, capital(err.Error())+".")
			return
		}
		m.By = signer(w, r, m.By)
		if !s.o.Mark(one.Station, m) {
			s.refuse(w, r, http.StatusServiceUnavailable, "The station is too busy to take the mark: try again.")
			return
		}
		s.o.Logger.Info("marked", logkey.Station(one.Station), logkey.Mark(m.Kind, m.Text, m.By, m.For))
		s.answer(w, r, markDone(m.Kind, &one), back(one.Station, m.Kind))
	}
}

func toFront(station, kind string) string {
	return "/?marked=" + kind + "#station-" + url.PathEscape(station)
}

func toPhone(station, kind string) string {
	return "/m/" + url.PathEscape(station) + "?marked=" + kind
}

// errUnsure asks for the second tap that a stop needs.
var errUnsure = errors.New("a stop must be confirmed")

// markOf reads a mark out of a form: "mark" is its kind, and for a screen or a
// goal also which, after a space.
func markOf(f url.Values) (bench.Mark, error) {
	kind, rest, _ := strings.Cut(f.Get("mark"), " ")
	m := bench.Mark{Kind: kind, By: f.Get("by"), Text: f.Get("text")}
	switch {
	case kind == bench.MarkScreen, kind == bench.MarkArm && rest != "":
		m.Text = rest
	case kind == bench.MarkStop && f.Get("sure") == "":
		return m, errUnsure
	}
	m = m.Tidy()
	return m, m.Check()
}

// cookie keeps who makes marks without script, in that browser.
const cookie = "by"

// remembered is how long.
const remembered = 365 * 24 * time.Hour

// remember sets the cookie. Over plain HTTP, which this page is served by on its
// own computer only, some browsers would not keep a Secure one.
func remember(w http.ResponseWriter, r *http.Request, by string) {
	if by == "" {
		return
	}
	http.SetCookie(w, &http.Cookie{ //nolint:gosec // Secure wherever it can be
		Name: cookie, Value: url.QueryEscape(by), Path: "/", MaxAge: int(remembered.Seconds()),
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil,
	})
}

// signer is who signs an act: whoever the bench knows, whatever the form says; else
// who the form says, or who this browser said before.
func signer(w http.ResponseWriter, r *http.Request, by string) string {
	if who := access.Of(r.Context()); who.Name != "" {
		return who.Name
	}
	remember(w, r, by)
	by = cmp.Or(by, signature(r))
	access.Sign(r.Context(), by)
	return by
}

// working lets through only who may do something.
func (s *Site) working(next http.HandlerFunc) http.Handler {
	return http.NewCrossOriginProtection().Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !access.Of(r.Context()).Works() {
			s.refuse(w, r, http.StatusForbidden, "You may look at this bench, but change nothing on it. Log in as somebody who works on it.")
			return
		}
		next(w, r)
	}))
}

// signature is who made marks in this browser before. What does not pass as
// the name in a mark is nobody.
func signature(r *http.Request) string {
	c, err := r.Cookie(cookie)
	if err != nil {
		return ""
	}
	by, err := url.QueryUnescape(c.Value)
	if err != nil || (bench.Mark{Kind: bench.MarkWarm, By: by}).Check() != nil {
		return ""
	}
	return by
}
