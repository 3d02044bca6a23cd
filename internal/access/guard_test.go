package access_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap/zaptest"

	"benchvigil/internal/access"
)

const password = "a long password"

// bench is a guarded site over TLS, as its own certificate has it.
type bench struct {
	*httptest.Server
	book   string
	mu     sync.Mutex
	trail  []access.Entry
	tokens map[string]string
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// kept is a store that lasts through a restart.
type kept struct {
	mu  sync.Mutex
	all map[string]string
}

func (k *kept) Kept(_ context.Context, kind string) (map[string]string, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	out := map[string]string{}
	for key, v := range k.all {
		if of, name, _ := strings.Cut(key, " "); of == kind {
			out[name] = v
		}
	}
	return out, nil
}

func (k *kept) Keep(_ context.Context, kind, key, data string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.all[kind+" "+key] = data
	return nil
}

func (k *kept) Forget(_ context.Context, kind, key string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	delete(k.all, kind+" "+key)
	return nil
}

// sessions are the logins that are kept.
func (k *kept) sessions(t *testing.T) map[string]string {
	t.Helper()
	all, err := k.Kept(t.Context(), "session")
	must(t, err)
	return all
}

// sessionOf is the cookie by which a browser is logged in.
func sessionOf(t *testing.T, c *http.Client, u *url.URL) *http.Cookie {
	t.Helper()
	for _, cookie := range c.Jar.Cookies(u) {
		if cookie.Name == "__Host-session" {
			return cookie
		}
	}
	t.Fatal("the browser has no session")
	return nil
}

// pages answer with who asks.
func pages() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_ = r.ParseForm()
		who := access.Of(r.Context())
		_, _ = io.WriteString(w, who.Name+" "+string(who.Role))
	})
}

func newBench(t *testing.T, loopback bool, k access.Keeper) *bench {
	t.Helper()
	b := &bench{book: filepath.Join(t.TempDir(), access.BookFile), tokens: map[string]string{}}
	hash, err := access.Hash(password)
	must(t, err)
	must(t, access.ChangeBook(b.book, func(book *access.Book) error {
		book.SetPerson(access.Person{Name: "kim", Role: access.Work, Hash: hash})
		book.SetPerson(access.Person{Name: "lee", Role: access.View, Hash: hash})
		for _, key := range []struct {
			name string
			role access.Role
			keys *[]access.Key
		}{{"wall", access.View, &book.Links}, {"reader", access.View, &book.Tokens}, {"robot", access.Work, &book.Tokens}} {
			text, sum := access.NewToken()
			b.tokens[key.name] = text
			must(t, access.AddKey(key.keys, access.Key{Name: key.name, Role: key.role, Sum: sum}))
		}
		return nil
	}))
	b.serve(t, loopback, k)
	return b
}

func (b *bench) serve(t *testing.T, loopback bool, k access.Keeper) {
	t.Helper()
	g, err := access.NewGuard(t.Context(), access.Options{
		Book: b.book, Loopback: loopback, Sessions: k, Bench: "north", Logger: zaptest.NewLogger(t),
		Audit: func(e access.Entry) { b.mu.Lock(); b.trail = append(b.trail, e); b.mu.Unlock() },
	})
	must(t, err)
	b.Server = httptest.NewTLSServer(g.Wrap(pages()))
	t.Cleanup(b.Close)
}

func (b *bench) lines() (out []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, e := range b.trail {
		out = append(out, e.String())
	}
	return out
}

// browser keeps cookies and follows nothing.
func (b *bench) browser(t *testing.T) *http.Client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	must(t, err)
	c := b.Client()
	return &http.Client{Transport: c.Transport, Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

func (b *bench) do(t *testing.T, c *http.Client, method, path, form string, header ...string) (status int, location, body string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, b.URL+path, strings.NewReader(form))
	must(t, err)
	if form != "" {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	resp, err := c.Do(r)
	must(t, err)
	defer resp.Body.Close() //nolint:errcheck // read to its end
	text, err := io.ReadAll(resp.Body)
	must(t, err)
	return resp.StatusCode, resp.Header.Get("Location"), string(text)
}

func login(name, word, to string) string {
	return url.Values{"name": {name}, "password": {word}, "to": {to}}.Encode()
}

func TestLoginAndRoles(t *testing.T) {
	b := newBench(t, false, nil)
	c := b.browser(t)
	if status, to, _ := b.do(t, c, "GET", "/alerts?x=1", ""); status != 303 || to != "/login?to=%2Falerts%3Fx%3D1" {
		t.Fatalf("a stranger: %d %s", status, to)
	}
	if status, to, _ := b.do(t, c, "POST", "/login", login("kim", password, "/alerts?x=1")); status != 303 || to != "/alerts?x=1" {
		t.Fatalf("login: %d %s", status, to)
	}
	if _, _, body := b.do(t, c, "GET", "/m", ""); body != "kim work" {
		t.Fatalf("after login: %q", body)
	}
	if status, _, _ := b.do(t, c, "POST", "/alerts/s1.dropped", "do=acknowledge"); status != 200 {
		t.Fatalf("kim acts: %d", status)
	}
	want := "kim acknowledged s1.dropped from 127.0.0.1"
	if lines := b.lines(); lines[len(lines)-1] != want {
		t.Errorf("trail: %q, want %q", lines, want)
	}
	lee := b.browser(t)
	b.do(t, lee, "POST", "/login", login("lee", password, "/"))
	for _, path := range []string{"/alerts/s1.dropped", "/stations/s1/marks", "/api/v1/stations/s1/marks", "/push/subscribe", "/what/comes/later"} {
		for _, method := range []string{"POST", "PUT", "DELETE", "PATCH"} {
			if status, _, _ := b.do(t, lee, method, path, ""); status != 403 {
				t.Errorf("a viewer's %s %s: %d", method, path, status)
			}
		}
	}
	if status, _, _ := b.do(t, c, "POST", "/alerts/x", "do=acknowledge", "Sec-Fetch-Site", "cross-site"); status != 403 {
		t.Errorf("across sites: %d", status)
	}
	if status, to, _ := b.do(t, c, "POST", "/logout", ""); status != 303 || to != "/login" {
		t.Errorf("logout: %d %s", status, to)
	}
	if status, _, _ := b.do(t, c, "GET", "/m", ""); status != 303 {
		t.Errorf("after logout: %d", status)
	}
}

func TestNothingIsOpen(t *testing.T) {
	b := newBench(t, false, nil)
	c := b.browser(t)
	for path, want := range map[string]int{
		"/healthz": 200, "/style.css": 200, "/login": 200, "/": 303, "/m/s1": 303, "/live": 401, "/metrics": 401,
		"/api/v1/stations": 401, "/api/v1/stations/s1/trace.csv": 401, "/api/v1/x.css": 401, "/m/x.css": 303,
	} {
		if status, _, body := b.do(t, c, "GET", path, ""); status != want || strings.Contains(body, "work") && path != "/login" {
			t.Errorf("%s: %d %q, want %d", path, status, body, want)
		}
	}
	if status, _, _ := b.do(t, c, "POST", "/style.css", ""); status != 401 {
		t.Errorf("POST of an open path: %d", status)
	}
}

func TestSameAnswerForUnknownNames(t *testing.T) {
	b := newBench(t, false, nil)
	c := b.browser(t)
	_, _, known := b.do(t, c, "POST", "/login", login("kim", "wrong wrong", "/"))
	_, _, unknown := b.do(t, c, "POST", "/login", login("ann", "wrong wrong", "/"))
	if strings.ReplaceAll(known, "kim", "") != strings.ReplaceAll(unknown, "ann", "") {
		t.Errorf("the answers differ:\n%s\n%s", known, unknown)
	}
	if strings.Contains(strings.Join(b.lines(), " "), "wrong wrong") {
		t.Error("a password is in the trail")
	}
}

func TestGuessingIsSlowed(t *testing.T) {
	b := newBench(t, false, nil)
	c := b.browser(t)
	for range 5 {
		b.do(t, c, "POST", "/login", login("kim", "wrong wrong", "/"))
	}
	if status, _, _ := b.do(t, c, "POST", "/login", login("kim", password, "/")); status != 429 {
		t.Errorf("the right password in a row of guesses: %d", status)
	}
}

func TestOnlyOwnPagesAfterLogin(t *testing.T) {
	b := newBench(t, false, nil)
	for _, to := range []string{"https://evil.example/", "//evil.example", `/\evil.example`, "/\t/evil.example", "javascript:alert(1)", "", "m", "/login?to=/"} {
		if _, got, _ := b.do(t, b.browser(t), "POST", "/login", login("kim", password, to)); got != "/" {
			t.Errorf("to %q: %q", to, got)
		}
	}
}

func TestWallLinkAndTokens(t *testing.T) {
	b := newBench(t, false, nil)
	c := b.browser(t)
	if status, to, _ := b.do(t, c, "GET", "/wall?token="+b.tokens["wall"], ""); status != 303 || to != "/wall" {
		t.Fatalf("link: %d %s", status, to)
	}
	for path, want := range map[string]int{
		"/wall": 200, "/live?wall=1": 200, "/": 303, "/m/s1": 303, "/station/s1": 303, "/live": 401, "/live?station=s1": 401,
		"/api/v1/stations": 401, "/metrics": 401, "/alerts": 303,
	} {
		if status, _, body := b.do(t, c, "GET", path, ""); status != want || status == 200 && body != "wall view" {
			t.Errorf("by a wall's link %s: %d %q, want %d", path, status, body, want)
		}
	}
	for name, want := range map[string]int{"reader": 403, "robot": 200, "wall": 401, "nobody": 401} {
		status, _, _ := b.do(t, b.browser(t), "POST", "/api/v1/stations/s1/marks", "", "Authorization", "Bearer "+b.tokens[name])
		if status != want {
			t.Errorf("%s: %d, want %d", name, status, want)
		}
	}
	must(t, access.ChangeBook(b.book, func(book *access.Book) error {
		access.RemoveKey(&book.Links, "wall")
		access.RemoveKey(&book.Tokens, "robot")
		return nil
	}))
	b.Close()
	b.serve(t, false, nil)
	u, err := url.Parse(b.URL)
	must(t, err)
	c.Jar.SetCookies(u, []*http.Cookie{{Name: "__Host-wall", Value: b.tokens["wall"], Secure: true, Path: "/"}})
	if status, _, _ := b.do(t, c, "GET", "/wall", ""); status != 303 {
		t.Errorf("a revoked link: %d", status)
	}
	if status, _, _ := b.do(t, c, "GET", "/api/v1/stations", "", "Authorization", "Bearer "+b.tokens["robot"]); status != 401 {
		t.Errorf("a revoked token: %d", status)
	}
	text, err := os.ReadFile(b.book)
	must(t, err)
	for name, token := range b.tokens {
		if strings.Contains(string(text), token) {
			t.Errorf("the book holds the token of %s", name)
		}
	}
}

func TestProxyIsNotLocal(t *testing.T) {
	b := newBench(t, true, nil)
	c := b.browser(t)
	if status, _, body := b.do(t, c, "POST", "/alerts/x", "do=acknowledge"); status != 200 || body != " work" {
		t.Errorf("at this computer: %d %q", status, body)
	}
	for _, name := range []string{"X-Forwarded-For", "Forwarded", "Via", "X-Real-IP"} {
		if status, _, _ := b.do(t, c, "GET", "/", "", name, "192.0.2.9"); status != 303 {
			t.Errorf("with %s: %d", name, status)
		}
	}
}

func TestSessionsLastAndEndEverywhere(t *testing.T) {
	k := &kept{all: map[string]string{}}
	b := newBench(t, false, k)
	one, two := b.browser(t), b.browser(t)
	b.do(t, one, "POST", "/login", login("kim", password, "/"))
	b.do(t, two, "POST", "/login", login("kim", password, "/"))
	u, err := url.Parse(b.URL)
	must(t, err)
	cookies := []*http.Cookie{sessionOf(t, one, u), sessionOf(t, two, u)}
	for token := range k.sessions(t) {
		if token == cookies[0].Value {
			t.Error("the token itself is kept")
		}
	}
	b.Close()
	b.serve(t, false, k)
	u, err = url.Parse(b.URL)
	must(t, err)
	ask := func(i int) string {
		c := b.browser(t)
		c.Jar.SetCookies(u, []*http.Cookie{{Name: cookies[i].Name, Value: cookies[i].Value, Secure: true, Path: "/"}})
		_, _, body := b.do(t, c, "GET", "/", "")
		return body
	}
	if ask(0) != "kim work" || ask(1) != "kim work" {
		t.Fatal("a restart ended the sessions")
	}
	c := b.browser(t)
	c.Jar.SetCookies(u, []*http.Cookie{{Name: cookies[0].Name, Value: cookies[0].Value, Secure: true, Path: "/"}})
	b.do(t, c, "POST", "/logout", "everywhere=1")
	if ask(0) == "kim work" || ask(1) == "kim work" || len(k.sessions(t)) != 0 {
		t.Error("a session outlives logging out everywhere")
	}
}

func TestCertificateIsConstrained(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "tls")
	now := time.Now()
	must(t, access.MakeCertificate(dir, []string{"bench.local"}, []net.IP{net.ParseIP("127.0.0.1")}, now))
	c, err := access.LoadCertificate(filepath.Join(dir, access.LeafFile), filepath.Join(dir, access.LeafKeyFile), zaptest.NewLogger(t))
	must(t, err)
	if n := c.Names(); !n["bench.local"] || !n["127.0.0.1"] || len(n) != 2 {
		t.Errorf("names: %v", n)
	}
	s := httptest.NewUnstartedServer(pages())
	s.Listener = tls.NewListener(s.Listener, c.Config())
	s.Start()
	defer s.Close()
	text, err := os.ReadFile(filepath.Join(dir, access.AuthorityFile))
	must(t, err)
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(text)
	for host, good := range map[string]bool{"bench.local": true, "127.0.0.1": true, "other.example": false} {
		conn, err := tls.Dial("tcp", s.Listener.Addr().String(), &tls.Config{RootCAs: pool, ServerName: host}) //nolint:noctx // loopback
		if (err == nil) != good {
			t.Errorf("%s: %v", host, err)
		}
		if err == nil {
			must(t, conn.Close())
		}
	}
	for _, key := range []string{"authority.key", access.LeafKeyFile} {
		if info, err := os.Stat(filepath.Join(dir, key)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", key, info, err)
		}
	}
	if err := access.MakeCertificate(dir, []string{"evil.example"}, nil, now); err == nil {
		t.Error("the authority signed for another name")
	}
}

// A stranger who guesses at a name keeps nobody out of a browser that was logged
// in with before, even from behind the same address.
func TestStrangersLockNobodyOut(t *testing.T) {
	k := &kept{all: map[string]string{}}
	b := newBench(t, false, k)
	phone, stranger := b.browser(t), b.browser(t)
	b.do(t, phone, "POST", "/login", login("kim", password, "/"))
	b.do(t, phone, "POST", "/logout", "")
	for range 8 {
		b.do(t, stranger, "POST", "/login", login("kim", "wrong wrong", "/"))
	}
	if status, _, _ := b.do(t, stranger, "POST", "/login", login("kim", password, "/")); status != 429 {
		t.Errorf("the stranger: %d", status)
	}
	if status, _, _ := b.do(t, phone, "POST", "/login", login("lee", password, "/")); status != 429 {
		t.Errorf("the phone by a name that was never logged in with on it: %d", status)
	}
	if status, _, _ := b.do(t, phone, "POST", "/login", login("kim", password, "/")); status != 303 {
		t.Errorf("the phone that is known: %d", status)
	}
}

func TestCookiesAreStrict(t *testing.T) {
	b := newBench(t, false, nil)
	r, err := http.NewRequestWithContext(t.Context(), "POST", b.URL+"/login", strings.NewReader(login("kim", password, "/")))
	must(t, err)
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.AddCookie(&http.Cookie{Name: "__Host-session", Value: "chosen-by-a-stranger"})
	resp, err := b.browser(t).Do(r)
	must(t, err)
	defer resp.Body.Close() //nolint:errcheck // nothing is read
	cookies := resp.Cookies()
	if len(cookies) != 2 {
		t.Errorf("%d cookies, want the session's and the device's", len(cookies))
	}
	for _, c := range cookies {
		if !c.Secure || !c.HttpOnly || c.SameSite != http.SameSiteLaxMode || c.Path != "/" || c.Domain != "" || !strings.HasPrefix(c.Name, "__Host-") {
			t.Errorf("cookie: %v", c)
		}
		if c.Value == "chosen-by-a-stranger" {
			t.Error("a session goes on under a token that the browser brought")
		}
	}
}

// What was revoked ends what goes on: a stream too.
func TestRevokedStreamsEnd(t *testing.T) {
	b := newBench(t, false, nil)
	g, err := access.NewGuard(t.Context(), access.Options{Book: b.book, Bench: "north", Logger: zaptest.NewLogger(t), Audit: func(access.Entry) {}})
	must(t, err)
	began, ended := make(chan struct{}), make(chan struct{})
	s := httptest.NewTLSServer(g.Wrap(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		close(began)
		<-r.Context().Done()
		close(ended)
	})))
	defer s.Close()
	r, err := http.NewRequestWithContext(t.Context(), "GET", s.URL+"/live", nil)
	must(t, err)
	r.Header.Set("Authorization", "Bearer "+b.tokens["reader"])
	go func() {
		if resp, err := s.Client().Do(r); err == nil {
			_ = resp.Body.Close()
		}
	}()
	<-began
	must(t, access.ChangeBook(b.book, func(book *access.Book) error {
		access.RemoveKey(&book.Tokens, "reader")
		return nil
	}))
	<-ended // otherwise the test hangs until its deadline
}
