package service_test

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/outlettest"
	"benchvigil/internal/alert/service"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const token = "AhiddenToken7c1"

// fake keeps what it is sent, and answers as it is told.
type fake struct {
	*httptest.Server
	mu     sync.Mutex
	seen   []request
	answer http.HandlerFunc
}

type request struct {
	path   string
	header http.Header
	body   string
}

func newFake(t *testing.T, answer http.HandlerFunc) *fake {
	t.Helper()
	f := &fake{answer: answer}
	f.Server = httptest.NewServer(f)
	t.Cleanup(func() {
		f.CloseClientConnections()
		f.Close()
		http.DefaultClient.CloseIdleConnections() // the library's
	})
	return f
}

func (f *fake) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	b, _ := io.ReadAll(r.Body)
	f.mu.Lock()
	f.seen = append(f.seen, request{r.URL.Path, r.Header, string(b)})
	f.mu.Unlock()
	f.answer(w, r)
}

func (f *fake) host() string { return strings.TrimPrefix(f.URL, "http://") }

func outlet(t *testing.T, url string) *service.Outlet {
	t.Helper()
	o, err := service.New(service.Options{Name: "chat", URL: url, Timeout: 10 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func says(text string) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, text) }
}

const (
	title = "left: dropped at 21:14:05 while restoring"
	text  = "Up 1:12:03 of 2 h. 0.412 A before, 0.002 A now. Check the supply.\nWhat to do: Check the supply, then start again.\nhttps://bench.example/alerts/s1.dropped.1772486045120"
)

// The services that can be played here, and where each has title and text.
func TestServices(t *testing.T) {
	for _, c := range []struct {
		name, url, answer, path string
		read                    func(r request) (title, text string)
	}{
		{"ntfy", "ntfy://kim:" + token + "@HOST/bench?scheme=http", "{}", "/bench", func(r request) (string, string) { return r.header.Get("Title"), r.body }},
		{"gotify", "gotify://HOST/" + token + "?disabletls=yes", `{"id":1}`, "/message", func(r request) (string, string) {
			var m struct{ Title, Message string }
			_ = json.Unmarshal([]byte(r.body), &m)
			return m.Title, m.Message
		}},
		{"generic", "generic://HOST/" + token + "?disabletls=yes", "", "/" + token, func(r request) (string, string) {
			a, b, _ := strings.Cut(r.body, "\n")
			return a, b
		}},
		{"generic, as JSON", "generic+http://HOST/" + token + "?template=json", "", "/" + token, func(r request) (string, string) {
			var m struct{ Title, Message string }
			_ = json.Unmarshal([]byte(r.body), &m)
			return m.Title, m.Message
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := newFake(t, says(c.answer))
			o := outlet(t, strings.ReplaceAll(c.url, "HOST", f.host()))
			if err := o.Deliver(t.Context(), outlettest.Message(alert.Raised)); err != nil {
				t.Fatal(err)
			}
			if len(f.seen) != 1 || f.seen[0].path != c.path {
				t.Fatalf("seen %+v", f.seen)
			}
			if a, b := c.read(f.seen[0]); a != title || b != text {
				t.Errorf("title %q, text %q", a, b)
			}
		})
	}
}

// What is for good and what is not, as far as can be told, and no token.
func TestAnswers(t *testing.T) {
	code := func(n int) http.HandlerFunc {
		return func(w http.ResponseWriter, r *http.Request) { http.Error(w, "no: "+r.URL.Path+" "+token, n) }
	}
	hijack := func(text string) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			c, _, err := http.NewResponseController(w).Hijack()
			if err == nil {
				_, _ = io.WriteString(c, text)
				_ = c.Close()
			}
		}
	}
	for _, c := range []struct {
		name      string
		answer    http.HandlerFunc
		permanent bool
	}{
		{"bad request", code(400), true},
		{"wrong token", code(401), true},
		{"gone", code(410), true},
		{"too many", code(429), false},
		{"broken", code(500), false},
		{"busy", code(503), false},
		{"closes", hijack(""), false},
		{"closes half-way", hijack("HTTP/1.1 200 O"), false},
		{"garbage", hijack("\x16\x03\x01 404 not found\r\n\r\n"), false},
	} {
		for service, url := range map[string]string{
			"ntfy": "ntfy://kim:" + token + "@HOST/bench?scheme=http", "gotify": "gotify://HOST/" + token + "?disabletls=yes",
			"generic": "generic://HOST/" + token + "?disabletls=yes",
		} {
			t.Run(c.name+", "+service, func(t *testing.T) {
				f := newFake(t, c.answer)
				o := outlet(t, strings.ReplaceAll(url, "HOST", f.host()))
				err := o.Deliver(t.Context(), outlettest.Message(alert.Raised))
				if err == nil || alert.IsPermanent(err) != c.permanent {
					t.Fatalf("%v: permanent %v", err, alert.IsPermanent(err))
				}
				if strings.Contains(err.Error()+o.String(), token) || len(err.Error()) > 500 {
					t.Errorf("it tells too much: %v", err)
				}
			})
		}
	}
}

func TestAbsent(t *testing.T) {
	f := newFake(t, says(""))
	f.Close()
	err := outlet(t, "generic://"+f.host()+"/"+token+"?disabletls=yes").Deliver(t.Context(), outlettest.Message(alert.Raised))
	if err == nil || alert.IsPermanent(err) || strings.Contains(err.Error(), token) {
		t.Errorf("%v", err)
	}
}

// A service that hangs holds nobody, and not more than some tries.
func TestHangs(t *testing.T) {
	over := make(chan struct{})
	f := newFake(t, func(http.ResponseWriter, *http.Request) { <-over })
	o := outlet(t, "generic://"+f.host()+"/"+token+"?disabletls=yes")
	try := func() error {
		ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
		defer cancel()
		return o.Deliver(ctx, outlettest.Message(alert.Raised))
	}
	for range 3 {
		if err := try(); !errors.Is(err, context.DeadlineExceeded) || alert.IsPermanent(err) {
			t.Errorf("%v", err)
		}
	}
	if err := try(); err == nil || !strings.Contains(err.Error(), "hang") || alert.IsPermanent(err) {
		t.Errorf("the fourth: %v", err)
	}
	close(over)
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	for {
		err := o.Deliver(ctx, outlettest.Message(alert.Raised))
		if err == nil {
			break // a place has become free
		}
		if ctx.Err() != nil {
			t.Fatal(err)
		}
	}
	cancelled, stop := context.WithCancel(t.Context())
	stop()
	if err := o.Deliver(cancelled, outlettest.Message(alert.Raised)); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

func TestCheck(t *testing.T) {
	for url, want := range map[string]string{
		"ntfy://ntfy.sh/bench":                           "",
		"gotify://gotify.example.com/" + token:           "",
		"matrix://kim:" + token + "@matrix.example.com/": "",
		"telegram://" + token + "@telegram?chats=1":      "telegram needs",
		"discord://":  "discord needs",
		"pushover://": "pushover needs",
		"gotify://gotify.example.com/" + token + "?x%zz": "",
		token:                       "cannot be read",
		"://" + token:               "cannot be read",
		"carrier-pigeon://" + token: "no such service",
		"smtp://kim:" + token + "@mail.example.com/?to=kim@": "kind email",
		"logger://": "nobody",
		"":          "cannot be read",
	} {
		err := service.Check(url)
		if want == "" {
			if err != nil && strings.Contains(err.Error(), token) {
				t.Errorf("%q: it tells the token: %v", url, err)
			}
			if err != nil && !strings.Contains(url, "%zz") {
				t.Errorf("%q: %v", url, err)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), token) {
			t.Errorf("%q: %v, want %q", url, err, want)
		}
	}
}

func FuzzCheck(f *testing.F) {
	for _, s := range []string{"ntfy://ntfy.sh/bench", "gotify://h/" + token, "generic+https://h/p?@X=y", "telegram://1:a@telegram?chats=@b", "slack://hook:a-b-c@w", "teams://"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, url string) {
		if strings.HasPrefix(strings.ToLower(url), "matrix") {
			t.Skip("would log in only when it delivers")
		}
		if err := service.Check(url); err != nil && len(url) > 12 && strings.Contains(err.Error(), url) {
			t.Errorf("it repeats the URL: %v", err)
		}
	})
}
