package access

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/alexedwards/argon2id"
	"github.com/alexedwards/scs/v2"
	"go.uber.org/zap"

	"benchvigil/internal/logkey"
)

// How long sessions last, and how often things are looked at again.
const (
	idleSession = 14 * 24 * time.Hour
	mostSession = 90 * 24 * time.Hour
	touchEvery  = time.Minute     // a session that is used is written this often
	lookEvery   = 2 * time.Second // whether who reads a stream may still read it
	followEvery = time.Second     // the certificate
	mostForm    = 8 << 10
)

// hashing bounds how many passwords are worked on at once: each takes 19 MiB.
const hashing = 2

// Options of a Guard. Book, Audit and Logger are needed.
type Options struct {
	Book     string      // file of the book; empty: nobody can log in
	Loopback bool        // the site listens on this computer's own address only
	Sessions Keeper      // nil: a restart ends all sessions
	Audit    func(Entry) // takes what was done; must not wait for the disk
	Bench    string
	Logger   *zap.Logger
}

// Guard finds out who makes each request, and refuses those who may not.
type Guard struct {
	o        Options
	sessions *scs.SessionManager
	store    *store
	limit    limiter
	devices  devices
	slots    chan struct{}
	nobody   string // the proof of a password that nobody has
	cross    *http.CrossOriginProtection

	mu    sync.Mutex
	book  Book
	stamp time.Time
	size  int64
}

// NewGuard reads the book and the sessions that are kept.
func NewGuard(ctx context.Context, o Options) (*Guard, error) {
	if o.Audit == nil || o.Logger == nil {
		return nil, errors.New("access: Audit and Logger are needed")
	}
	st, err := newStore(ctx, o.Sessions, time.Now())
	if err != nil {
		return nil, err
	}
	nobody, err := argon2id.CreateHash("nobody has this password", cost)
	if err != nil {
		return nil, err
	}
	g := &Guard{
		o: o, store: st, slots: make(chan struct{}, hashing), nobody: nobody, cross: http.NewCrossOriginProtection(),
		sessions: newSessions(st),
	}
	if g.devices, err = newDevices(ctx, o.Sessions); err != nil {
		return nil, err
	}
	if o.Book == "" {
		return g, nil
	}
	g.book, err = ReadBook(o.Book)
	if info, bad := os.Stat(o.Book); bad == nil {
		g.stamp, g.size = info.ModTime(), info.Size()
	}
	return g, err
}

// newSessions says how sessions are held and handed out.
func newSessions(st *store) *scs.SessionManager {
	// Not scs.New, whose own store cleans up in a goroutine that may never end.
	s := &scs.SessionManager{
		Store: st, HashTokenInStore: true, Codec: scs.GobCodec{}, IdleTimeout: idleSession, Lifetime: mostSession,
		ErrorFunc: func(w http.ResponseWriter, _ *http.Request, err error) {
			http.Error(w, "The session cannot be kept: "+err.Error()+".", http.StatusInternalServerError)
		},
	}
	// Lax, not Strict: the link in a notification or a mail is followed from
	// another site, and with Strict would always end at the login. What changes
	// anything is refused across sites beside it (CrossOriginProtection).
	s.Cookie = scs.SessionCookie{Name: sessionCookie, HttpOnly: true, Secure: true, SameSite: http.SameSiteLaxMode, Path: "/", Persist: true}
	return s
}

// The names of cookies. The prefix makes browsers refuse them from anybody else
// (RFC 6265bis, 4.1.3.2).
const (
	sessionCookie = "__Host-session"
	wallCookie    = "__Host-wall"
	deviceCookie  = "__Host-device"
)

// now is the book as it is on disk: to ask for its time costs microseconds, and
// what was revoked is over. While it cannot be read the last one holds.
func (g *Guard) now() *Book {
	g.mu.Lock()
	defer g.mu.Unlock()
	book := g.book
	if g.o.Book == "" {
		return &book
	}
	info, err := os.Stat(g.o.Book)
	if err != nil || info.ModTime().Equal(g.stamp) && info.Size() == g.size {
		return &book
	}
	next, err := ReadBook(g.o.Book)
	if err != nil {
		g.o.Logger.Error("who may log in stays as it was", logkey.Err(err))
		g.stamp, g.size = info.ModTime(), info.Size()
		return &book
	}
	for _, line := range changes(&g.book, &next) {
		g.o.Audit(Entry{At: time.Now(), Who: "command line", From: "this computer", Did: line[0], On: line[1], Outcome: "done"})
	}
	g.book, g.stamp, g.size = next, info.ModTime(), info.Size()
	return &next
}

// changes are what a command did to the book.
func changes(old, next *Book) (out [][2]string) {
	for _, p := range next.People {
		if was := old.person(p.Name); was == nil || *was != p {
			out = append(out, [2]string{"entered the person (" + string(p.Role) + ")", p.Name})
		}
	}
	for _, p := range old.People {
		if next.person(p.Name) == nil {
			out = append(out, [2]string{"removed the person", p.Name})
		}
	}
	out = append(out, keyChanges("link", old.Links, next.Links)...)
	return append(out, keyChanges("token", old.Tokens, next.Tokens)...)
}

func keyChanges(what string, old, next []Key) (out [][2]string) {
	for _, k := range next {
		if !slices.Contains(old, k) {
			out = append(out, [2]string{"added the " + what, k.Name})
		}
	}
	for _, k := range old {
		if !slices.Contains(next, k) {
			out = append(out, [2]string{"revoked the " + what, k.Name})
		}
	}
	return out
}

// proxied reports a request that came through a proxy (RFC 7239 and the older
// headers). Who made it is not at this computer, whatever its address is.
func proxied(r *http.Request) bool {
	for _, name := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Forwarded-Proto", "X-Real-Ip", "Via"} {
		if len(r.Header[name]) > 0 {
			return true
		}
	}
	return false
}

// local reports a request of this computer itself: only a site that listens
// nowhere else knows it.
func (g *Guard) local(r *http.Request) bool {
	return g.o.Loopback && origin(r).IsLoopback() && !proxied(r)
}

func origin(r *http.Request) netip.Addr {
	a, _ := netip.ParseAddrPort(r.RemoteAddr)
	return a.Addr().Unmap().WithZone("")
}

// from is the address in the trail. What a proxy says of others is not believed.
func from(r *http.Request) string {
	text := "an unknown address"
	if a := origin(r); a.IsValid() {
		text = a.String()
	}
	if proxied(r) {
		text += " (a proxy)"
	}
	return text
}

// who finds out who makes a request; false for nobody.
func (g *Guard) who(r *http.Request) (Who, bool) {
	book := g.now()
	if h := r.Header.Get("Authorization"); h != "" {
		scheme, token, _ := strings.Cut(h, " ")
		if k := holder(book.Tokens, strings.TrimSpace(token)); strings.EqualFold(scheme, "Bearer") && k != nil { // RFC 6750, 2.1
			return Who{Name: k.Name, Role: k.Role}, true
		}
		return Who{}, false
	}
	if g.local(r) {
		return Who{Role: Work, Local: true}, true
	}
	if w, ok := g.session(r, book); ok {
		return w, true
	}
	if c, err := r.Cookie(wallCookie); err == nil {
		if k := holder(book.Links, c.Value); k != nil {
			return Who{Name: k.Name, Role: View, Wall: true}, true
		}
	}
	return Who{}, false
}

// ofWall is what a wall consists of. Its link stands in a browser that everybody
// passes, so it opens no page of a station, no past and no interface.
func ofWall(r *http.Request) bool {
	switch r.URL.Path {
	case "/wall", "/theme":
		return true
	case "/live":
		return r.URL.Query().Has("wall")
	}
	return open(r)
}

// session finds who logged in. A new password ends the sessions of before.
func (g *Guard) session(r *http.Request, book *Book) (Who, bool) {
	c, err := r.Cookie(sessionCookie)
	if err != nil {
		return Who{}, false
	}
	ctx, err := g.sessions.Load(context.WithoutCancel(r.Context()), c.Value)
	if err != nil {
		return Who{}, false
	}
	p := book.person(g.sessions.GetString(ctx, "name"))
	if p == nil || g.sessions.GetString(ctx, "proof") != sumOf(p.Hash) {
		return Who{}, false
	}
	if time.Since(time.Unix(g.sessions.GetInt64(ctx, "seen"), 0)) >= touchEvery {
		g.sessions.Put(ctx, "seen", time.Now().Unix())
		if _, _, err := g.sessions.Commit(ctx); err != nil {
			g.o.Logger.Warn("a login may not last through a restart", logkey.Err(err))
		}
	}
	return Who{Name: p.Name, Role: p.Role}, true
}

// Wrap guards everything that next serves.
func (g *Guard) Wrap(next http.Handler) http.Handler {
	own := http.NewServeMux()
	own.HandleFunc("GET /login", g.showLogin)
	own.HandleFunc("POST /login", g.login)
	own.HandleFunc("POST /logout", g.logout)
	own.HandleFunc("GET /login.css", serveStyle)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if err := g.cross.Check(r); err != nil {
			g.deny(w, r, Who{}, http.StatusForbidden, "Pages of other sites may not act on this bench.")
			return
		}
		if _, pattern := own.Handler(r); pattern != "" {
			own.ServeHTTP(w, r)
			return
		}
		if r.Method == http.MethodGet && r.URL.Path == "/wall" && r.URL.Query().Has("token") {
			g.wall(w, r)
			return
		}
		who, ok := g.who(r)
		switch {
		case !ok && open(r):
			next.ServeHTTP(w, r)
		case !ok, who.Wall && !ofWall(r):
			g.stranger(w, r)
		case changesThings(r) && !who.Works():
			g.deny(w, r, who, http.StatusForbidden, "You may look at this bench, but change nothing on it. Log in as somebody who works on it, or ask with a token of role work.")
		default:
			g.serve(w, r, who, next)
		}
	})
}

// open is what everybody may have: whether the bench lives, and what the login
// looks like. No data of the bench is among it.
func open(r *http.Request) bool {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		return false
	}
	switch r.URL.Path {
	case "/healthz", "/readyz", "/offline":
		return true
	}
	switch path.Ext(r.URL.Path) {
	case ".css", ".js", ".svg", ".png", ".webmanifest":
		return path.Dir(r.URL.Path) == "/"
	}
	return false
}

// changesThings reports a method that is not safe (RFC 9110, 9.2.1). The looks
// of the pages are a matter of the browser alone.
func changesThings(r *http.Request) bool {
	switch r.Method {
	case http.MethodGet, http.MethodHead, http.MethodOptions:
		return false
	}
	return r.URL.Path != "/theme"
}

// serve lets a request through, ends it when who makes it may no longer, and
// notes what it did.
func (g *Guard) serve(w http.ResponseWriter, r *http.Request, who Who, next http.Handler) {
	e := &Entry{Who: who.Name, From: from(r)}
	ctx, cancel := context.WithCancel(context.WithValue(With(r.Context(), who), noteKey{}, e))
	defer cancel()
	if !who.Local {
		w.Header().Set("Vary", "Cookie, Authorization")
		stop := g.follow(r, who, cancel)
		defer stop()
	}
	m := &meter{ResponseWriter: w}
	r = r.WithContext(ctx)
	outcome := "cut off: the log says why" // unless it comes to its end
	defer func() { g.note(e, r, who, outcome) }()
	next.ServeHTTP(m, r)
	outcome = m.outcome()
}

// note puts what a request did into the trail.
func (g *Guard) note(e *Entry, r *http.Request, who Who, outcome string) {
	if !changesThings(r) && !downloads(r) || r.URL.Path == "/theme" {
		return
	}
	if e.Did == "" {
		e.Did, e.On = words(r)
	}
	if who.Local && e.Who == "" {
		e.Who = short(r.PostForm.Get("by"))
	}
	e.At, e.Outcome = time.Now(), outcome
	g.o.Audit(*e)
}

// follow looks again and again whether a request may go on, for as long as it
// takes; the function it returns ends that.
func (g *Guard) follow(r *http.Request, who Who, cancel func()) (stop func()) {
	var mu sync.Mutex
	var over bool
	var timer *time.Timer
	mu.Lock()
	defer mu.Unlock()
	timer = time.AfterFunc(lookEvery, func() {
		now, ok := g.who(r)
		if !ok || now != who {
			cancel()
			return
		}
		mu.Lock()
		defer mu.Unlock()
		if !over {
			timer.Reset(lookEvery)
		}
	})
	return func() {
		mu.Lock()
		defer mu.Unlock()
		over = true
		timer.Stop()
	}
}

// byProgram reports a request that expects no page.
func byProgram(r *http.Request) bool {
	p := r.URL.Path
	return strings.HasPrefix(p, "/api/") || strings.HasPrefix(p, "/push/") || p == "/live" || p == "/metrics" ||
		r.Header.Get("Authorization") != ""
}

// stranger answers somebody who has not logged in.
func (g *Guard) stranger(w http.ResponseWriter, r *http.Request) {
	if !byProgram(r) && !changesThings(r) {
		http.Redirect(w, r, "/login?to="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
		return
	}
	w.Header().Set("WWW-Authenticate", `Bearer realm="benchvigil"`) // RFC 6750, 3
	g.deny(w, r, Who{}, http.StatusUnauthorized, "Log in, or send a token: Authorization: Bearer TOKEN.")
}

// deny refuses a request, and notes it where it would have changed anything.
func (g *Guard) deny(w http.ResponseWriter, r *http.Request, who Who, status int, why string) {
	if changesThings(r) {
		g.o.Audit(Entry{At: time.Now(), Who: cmpName(who.Name), From: from(r), Did: "tried " + r.Method, On: short(r.URL.Path), Outcome: "refused: " + why})
	}
	w.Header().Set("Cache-Control", "no-store")
	if !byProgram(r) {
		http.Error(w, why, status)
		return
	}
	w.Header().Set("Content-Type", "application/problem+json") // RFC 9457
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(map[string]any{"title": http.StatusText(status), "status": status, "detail": why}) //nolint:errchkjson // the client has gone
}

func cmpName(name string) string {
	if name == "" {
		return "a stranger"
	}
	return name
}

// localPath is a page of ours to go on to; anything else is the front page.
// Browsers take a backslash for a slash, and drop tabs and line ends.
func localPath(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") ||
		strings.ContainsAny(to, "\\\t\r\n") || strings.HasPrefix(path.Clean(u.Path), "/login") {
		return "/"
	}
	return to
}
