package outlettest

import (
	"bytes"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"benchvigil/internal/alert"
)

// token is in the path of every address that the suite hands out.
const token = "hidden-token-7c1f"

// HTTP is the suite for outlets that speak HTTP.
type HTTP struct {
	// New makes an outlet that delivers to an address. Each test makes its own.
	New func(t *testing.T, url string) Outlet
	// Gone are the statuses that mean that the receiver is gone; nil: 404, 410.
	Gone []int
	// WhenGone holds what Deliver says then; nil: it must be permanent.
	WhenGone func(t *testing.T, err error)
	// Key finds the idempotency key in a request; nil: it is not looked for. It
	// must be the same in all tries and not that of another message.
	Key func(r *http.Request, body []byte) string
}

// Run runs the suite.
func (s HTTP) Run(t *testing.T) {
	t.Run("accept", s.accept)
	t.Run("status", s.statuses)
	t.Run("gone", s.gone)
	t.Run("retry after", s.retryAfter)
	t.Run("no answer", s.noAnswer)
	t.Run("redirect", s.redirect)
	t.Run("body", s.bodies)
	t.Run("unknown authority", s.unknownAuthority)
	t.Run("absent", s.absent)
	t.Run("cancelled", func(t *testing.T) { cancelled(t, s.New(t, newFake(t).url())) })
	t.Run("key", s.key)
}

func (s HTTP) accept(t *testing.T) {
	for _, code := range []int{200, 201, 202, 204} {
		f := newFake(t, status(code))
		want(t, deliver(t, s.New(t, f.url()), token, within), delivered)
		if n := len(f.got()); n != 1 {
			t.Errorf("%d: %d requests, want 1", code, n)
		}
	}
}

func (s HTTP) statuses(t *testing.T) {
	for code, k := range map[int]kind{
		400: permanent, 401: permanent, 403: permanent, 405: permanent, 413: permanent, 422: permanent,
		408: transient, 425: transient, 429: transient,
		500: transient, 502: transient, 503: transient, 504: transient, 599: transient,
	} {
		t.Run(strconv.Itoa(code), func(t *testing.T) {
			f := newFake(t, status(code))
			o := s.New(t, f.url())
			err := deliver(t, o, token, within)
			want(t, err, k)
			if n := len(f.got()); n != 1 {
				t.Errorf("%d requests: the outlet must leave trying again to the dispatcher", n)
			}
			if k == transient { // the next try works
				want(t, deliver(t, o, token, within), delivered)
			}
		})
	}
}

func (s HTTP) gone(t *testing.T) {
	codes := s.Gone
	if codes == nil {
		codes = []int{http.StatusNotFound, http.StatusGone}
	}
	for _, code := range codes {
		err := deliver(t, s.New(t, newFake(t, status(code)).url()), token, within)
		if s.WhenGone != nil {
			s.WhenGone(t, err)
			continue
		}
		want(t, err, permanent)
	}
}

func (s HTTP) retryAfter(t *testing.T) {
	later := func(code int, value string) handler {
		return func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Retry-After", value)
			w.WriteHeader(code)
		}
	}
	inAnHour := time.Now().Add(time.Hour).UTC().Format(http.TimeFormat)
	for _, tt := range []struct {
		name        string
		h           handler
		least, most time.Duration
	}{
		{"429, seconds", later(429, "7"), 7 * time.Second, 7 * time.Second},
		{"503, seconds", later(503, "120"), 2 * time.Minute, 2 * time.Minute},
		{"429, a date", later(429, inAnHour), time.Minute, time.Hour},
		{"429, nonsense", later(429, "soon"), 0, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			err := deliver(t, s.New(t, newFake(t, tt.h).url()), token, within)
			want(t, err, transient)
			if w := alert.Wait(err); w < tt.least || w > tt.most {
				t.Errorf("wait %v, want %v to %v", w, tt.least, tt.most)
			}
		})
	}
}

func (s HTTP) noAnswer(t *testing.T) {
	for _, tt := range []struct {
		name string
		h    handler
		wait time.Duration
	}{
		{"hang", func(_ http.ResponseWriter, r *http.Request) { <-r.Context().Done() }, 300 * time.Millisecond},
		{"half-close", raw("", true), within},
		{"half-close in the header", raw("HTTP/1.1 200 OK\r\nContent-Le", true), within},
		{"reset", raw("", false), within},
		{"garbage", raw("\x16\x03\x01 +OK hello\r\n\r\n", false), within},
		{"endless header", raw("HTTP/1.1 200 OK\r\nX: "+string(bytes.Repeat([]byte("x"), 20<<20)), false), within},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := newFake(t, tt.h)
			o := s.New(t, f.url())
			want(t, deliver(t, o, token, tt.wait), transient)
			want(t, deliver(t, o, token, within), delivered)
		})
	}
}

func (s HTTP) redirect(t *testing.T) {
	for _, code := range []int{301, 302, 303, 307, 308} {
		elsewhere := newFake(t)
		f := newFake(t, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Location", elsewhere.url())
			w.WriteHeader(code)
		})
		err := deliver(t, s.New(t, f.url()), token, within)
		if err == nil {
			t.Errorf("%d: a redirect is taken for delivered", code)
		}
		if n := len(elsewhere.got()); n != 0 {
			t.Errorf("%d: it was followed: an alert went elsewhere", code)
		}
	}
}

func (s HTTP) bodies(t *testing.T) {
	const huge = 256 << 20
	for _, tt := range []struct {
		name string
		code int
		want kind
	}{{"accepted", 200, delivered}, {"failed", 500, transient}} {
		t.Run("huge, "+tt.name, func(t *testing.T) {
			sent := make(chan int, 1)
			f := newFake(t, func(w http.ResponseWriter, _ *http.Request) {
				w.WriteHeader(tt.code)
				n, part := 0, bytes.Repeat([]byte("all is well "), 1<<14)
				for n < huge {
					m, err := w.Write(part)
					n += m
					if err != nil {
						break
					}
				}
				sent <- n
			})
			want(t, deliver(t, s.New(t, f.url()), token, within), tt.want)
			if n := <-sent; n >= huge {
				t.Errorf("all %d bytes of an answer were taken", n)
			}
		})
		t.Run("slow, "+tt.name, func(t *testing.T) {
			f := newFake(t, func(w http.ResponseWriter, r *http.Request) {
				w.Header().Set("Content-Length", "100")
				w.WriteHeader(tt.code)
				_, _ = w.Write([]byte("all"))
				_ = http.NewResponseController(w).Flush()
				<-r.Context().Done() // the rest never comes
			})
			want(t, deliver(t, s.New(t, f.url()), token, within), tt.want)
		})
	}
}

func (s HTTP) unknownAuthority(t *testing.T) {
	f := newFake(t)
	srv := httptest.NewUnstartedServer(f)
	srv.Config.ErrorLog = log.New(io.Discard, "", 0) // it complains of the handshake
	srv.StartTLS()
	t.Cleanup(srv.Close)
	err := deliver(t, s.New(t, srv.URL+"/"+token), token, within)
	want(t, err, transient) // a person mends it, and the alert goes out then
	if n := len(f.got()); n != 0 {
		t.Error("an alert went to a server that nobody vouches for")
	}
}

func (s HTTP) absent(t *testing.T) {
	f := newFake(t)
	f.srv.Close()
	want(t, deliver(t, s.New(t, f.url()), token, within), transient)
}

func (s HTTP) key(t *testing.T) {
	if s.Key == nil {
		t.Skip("no key is looked for")
	}
	f := newFake(t, status(500), status(200))
	o := s.New(t, f.url())
	for _, m := range []*alert.Message{Message(alert.Raised), Message(alert.Raised), Message(alert.Changed)} {
		_ = o.Deliver(t.Context(), m)
	}
	got := f.got()
	if len(got) != 3 {
		t.Fatalf("%d requests, want 3", len(got))
	}
	keys := make([]string, 0, len(got))
	for _, g := range got {
		keys = append(keys, s.Key(g.r, g.body))
	}
	if keys[0] == "" || keys[0] != keys[1] || keys[0] == keys[2] {
		t.Errorf("keys %q: want the same twice, then another", keys)
	}
}

type handler = http.HandlerFunc

func status(code int) handler {
	return func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(code) }
}

// raw writes to the connection itself and closes it, or only its own half.
func raw(text string, half bool) handler {
	return func(w http.ResponseWriter, _ *http.Request) {
		c, _, err := http.NewResponseController(w).Hijack()
		if err != nil {
			panic(fmt.Sprintf("the fake speaks HTTP/1.1: %v", err))
		}
		_, _ = c.Write([]byte(text))
		if h, ok := c.(interface{ CloseWrite() error }); ok && half {
			_ = h.CloseWrite()
			_, _ = io.Copy(io.Discard, c)
		}
		_ = c.Close()
	}
}

// fake answers as its script says, and with 200 after it.
type fake struct {
	srv *httptest.Server

	mu     sync.Mutex
	script []handler
	seen   []request
}

type request struct {
	r    *http.Request
	body []byte
}

func newFake(t *testing.T, script ...handler) *fake {
	t.Helper()
	f := &fake{script: script}
	f.srv = httptest.NewServer(f)
	t.Cleanup(func() {
		f.srv.CloseClientConnections()
		f.srv.Close()
	})
	return f
}

func (f *fake) url() string { return f.srv.URL + "/" + token }

func (f *fake) got() []request {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.seen)
}

func (f *fake) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body)
	f.next(request{r, body})(w, r)
}

func (f *fake) next(got request) handler {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.seen = append(f.seen, got)
	if len(f.script) == 0 {
		return status(http.StatusOK)
	}
	h := f.script[0]
	f.script = f.script[1:]
	return h
}
