package access

import (
	"bytes"
	"context"
	_ "embed"
	"net/http"
	"net/netip"
	"strconv"
	"strings"
	"time"

	"github.com/a-h/templ"
	"github.com/alexedwards/argon2id"

	"benchvigil/internal/logkey"
)

type loginForm struct {
	Bench, Name, To, Wrong, Who string
}

// described points from a field to what is wrong.
func (f *loginForm) described() templ.Attributes {
	if f.Wrong == "" {
		return nil
	}
	return templ.Attributes{"aria-describedby": "wrong"}
}

func (g *Guard) showLogin(w http.ResponseWriter, r *http.Request) {
	f := loginForm{To: localPath(r.URL.Query().Get("to"))}
	if who, ok := g.who(r); ok && !who.Local {
		f.Who = who.Name
	}
	g.writeLogin(w, http.StatusOK, f)
}

func (g *Guard) writeLogin(w http.ResponseWriter, status int, f loginForm) {
	f.Bench = g.o.Bench
	var b bytes.Buffer
	if err := loginPage(&f).Render(context.Background(), &b); err != nil {
		g.o.Logger.Error("the login cannot be shown", logkey.Err(err))
		status = http.StatusInternalServerError
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // the client has gone
}

// login proves a person. It says neither whether the name exists nor, by the
// time it takes, lets it be guessed.
func (g *Guard) login(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, mostForm)
	if err := r.ParseForm(); err != nil {
		g.writeLogin(w, http.StatusUnprocessableEntity, loginForm{To: "/", Wrong: "The form cannot be read. Try again."})
		return
	}
	f := loginForm{Name: strings.TrimSpace(r.PostForm.Get("name")), To: localPath(r.PostForm.Get("to"))}
	now := time.Now()
	gates := g.gates(r, f.Name)
	if wait := g.limit.enter(gates, now); wait > 0 {
		seconds := int(wait/time.Second) + 1
		w.Header().Set("Retry-After", strconv.Itoa(seconds)) // RFC 9110, 10.2.3
		f.Wrong = "Too many tries. Wait " + strconv.Itoa(seconds) + " s, then try again."
		g.noteLogin(r, f.Name, "refused: too many tries")
		g.writeLogin(w, http.StatusTooManyRequests, f)
		return
	}
	p := g.now().person(f.Name)
	if !g.proves(r.Context(), p, r.PostForm.Get("password")) {
		f.Wrong = "The name or the password is wrong."
		g.noteLogin(r, f.Name, "refused: wrong name or password")
		g.writeLogin(w, http.StatusUnauthorized, f)
		return
	}
	g.limit.passed(gates)
	g.devices.know(w, p.Name)
	if err := g.begin(w, r, p); err != nil {
		g.o.Logger.Error("nobody can log in", logkey.Err(err))
		f.Wrong = "The bench cannot keep the login now. Try again."
		g.writeLogin(w, http.StatusServiceUnavailable, f)
		return
	}
	g.noteLogin(r, p.Name, "done")
	http.Redirect(w, r, f.To, http.StatusSeeOther)
}

// network is what one computer has of addresses: of IPv6 all of a /64.
func network(a netip.Addr) string {
	if a.Is6() {
		if p, err := a.Prefix(64); err == nil {
			return p.String()
		}
	}
	return a.String()
}

// proves does the same work whether there is such a person or not.
func (g *Guard) proves(ctx context.Context, p *Person, password string) bool {
	select {
	case g.slots <- struct{}{}:
		defer func() { <-g.slots }()
	case <-ctx.Done():
		return false
	}
	hash := g.nobody
	if p != nil {
		hash = p.Hash
	}
	if len(password) > mostPassword {
		password = ""
	}
	same, err := argon2id.ComparePasswordAndHash(password, hash)
	return same && err == nil && p != nil
}

// begin makes a session under a new token, whatever the browser sent.
func (g *Guard) begin(w http.ResponseWriter, r *http.Request, p *Person) error {
	if c, err := r.Cookie(sessionCookie); err == nil {
		if ctx, err := g.sessions.Load(context.WithoutCancel(r.Context()), c.Value); err == nil {
			_ = g.sessions.Destroy(ctx) // it ends by itself otherwise
		}
	}
	ctx, err := g.sessions.Load(context.WithoutCancel(r.Context()), "")
	if err != nil {
		return err
	}
	g.sessions.Put(ctx, "name", p.Name)
	g.sessions.Put(ctx, "proof", sumOf(p.Hash))
	g.sessions.Put(ctx, "seen", time.Now().Unix())
	token, _, err := g.sessions.Commit(ctx)
	if err != nil {
		return err
	}
	g.sessions.WriteSessionCookie(ctx, w, token, time.Now().Add(mostSession))
	return nil
}

func (g *Guard) noteLogin(r *http.Request, name, outcome string) {
	g.o.Audit(Entry{At: time.Now(), Who: cmpName(short(name)), From: from(r), Did: "logged in", Outcome: outcome})
}

// logout ends this session, or with "everywhere" all of that person.
func (g *Guard) logout(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, mostForm)
	_ = r.ParseForm() // without it only this session ends
	did := "logged out"
	if who, ok := g.session(r, g.now()); ok && r.PostForm.Get("everywhere") != "" {
		did = "logged out everywhere"
		g.endAll(who.Name)
	}
	who, _ := g.who(r)
	if c, err := r.Cookie(sessionCookie); err == nil {
		if ctx, err := g.sessions.Load(context.WithoutCancel(r.Context()), c.Value); err == nil {
			who.Name = g.sessions.GetString(ctx, "name")
			if err := g.sessions.Destroy(ctx); err != nil {
				g.o.Logger.Error("a login that was ended may come back after a restart", logkey.Err(err))
			}
		}
	}
	for _, name := range []string{sessionCookie, wallCookie} {
		http.SetCookie(w, &http.Cookie{Name: name, Path: "/", MaxAge: -1, Secure: true, HttpOnly: true, SameSite: http.SameSiteLaxMode})
	}
	g.o.Audit(Entry{At: time.Now(), Who: cmpName(who.Name), From: from(r), Did: did, Outcome: "done"})
	http.Redirect(w, r, "/login", http.StatusSeeOther)
}

func (g *Guard) endAll(name string) {
	for _, token := range g.store.tokens(func(data []byte) bool {
		_, values, err := g.sessions.Codec.Decode(data)
		return err != nil || values["name"] == name
	}) {
		if err := g.store.Delete(token); err != nil {
			g.o.Logger.Error("a login that was ended may come back after a restart", logkey.Err(err))
		}
	}
}

// longestCookie is the most that browsers allow (RFC 6265bis, 5.5).
const longestCookie = 400 * 24 * time.Hour

// wall takes the link of a wall once, and puts it out of sight: an address is
// seen by who stands beside it.
func (g *Guard) wall(w http.ResponseWriter, r *http.Request) {
	token := r.URL.Query().Get("token")
	now := time.Now()
	k := holder(g.now().Links, token) // 256 random bits need no slowing down of who guesses
	w.Header().Set("Cache-Control", "no-store")
	if k == nil {
		g.o.Audit(Entry{At: now, Who: "a stranger", From: from(r), Did: "opened a wall's link", Outcome: "refused: not a link of this bench, or revoked"})
		http.Error(w, "This link is not one of this bench, or was revoked. Make another by: benchvigil access link add NAME", http.StatusForbidden)
		return
	}
	http.SetCookie(w, &http.Cookie{
		Name: wallCookie, Value: token, Path: "/", MaxAge: int(longestCookie / time.Second),
		Secure: true, HttpOnly: true, SameSite: http.SameSiteLaxMode,
	})
	g.o.Audit(Entry{At: now, Who: k.Name, From: from(r), Did: "opened a wall's link", Outcome: "done"})
	http.Redirect(w, r, "/wall", http.StatusSeeOther)
}

//go:embed login.css
var loginStyle []byte

func serveStyle(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/css; charset=utf-8")
	w.Header().Set("Cache-Control", "no-cache")
	_, _ = w.Write(loginStyle) // the client has gone
}
