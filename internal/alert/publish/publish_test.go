package publish_test

import (
	"encoding/json"
	"io"
	"mime"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/outlettest"
	"benchvigil/internal/alert/publish"
	"benchvigil/internal/bench"
)

func TestConformance(t *testing.T) {
	outlettest.HTTP{
		New: func(t *testing.T, url string) outlettest.Outlet {
			return made(t, publish.Options{Name: "push", URL: url})
		},
		Key: func(r *http.Request, _ []byte) string { return r.Header.Get("Idempotency-Key") },
	}.Run(t)
}

func made(t *testing.T, o publish.Options) *publish.Outlet {
	t.Helper()
	out, err := publish.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// published delivers a message and returns the request.
func published(t *testing.T, o publish.Options, m *alert.Message) (r *http.Request, body string) {
	t.Helper()
	srv := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, got *http.Request) {
		b, _ := io.ReadAll(got.Body)
		r, body = got, string(b)
	}))
	defer srv.Close()
	o.URL = srv.URL + "/bench"
	if err := made(t, o).Deliver(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	return r, body
}

func TestLines(t *testing.T) {
	m := outlettest.Message(alert.Returned)
	r, body := published(t, publish.Options{}, m)
	want := "Over: left: dropped at 21:14:05 while restoring\nIt stood from " + m.Alert.Since.Local().Format("15:04:05") + " to " + m.Alert.Returned.Local().Format("15:04:05") + "."
	if d := cmp.Diff(want, body); d != "" {
		t.Error(d)
	}
	if r.Method != http.MethodPost || r.Header.Get("Content-Type") != "text/plain; charset=utf-8" {
		t.Errorf("%s, %q", r.Method, r.Header)
	}
}

func TestTemplates(t *testing.T) {
	m := outlettest.Message(alert.Raised)
	m.Alert.Title = "left: \"naïve\"\r\nX-Injected: 1"
	r, body := published(t, publish.Options{
		Method: "put",
		Headers: map[string]string{
			"Title": "{{title .}}", "X-Word": "{{word (title .)}}", "Priority": "{{priority .}}", "Click": "{{.Link}}",
			"X-Empty": "{{if .Quiet}}low{{end}}", "Authorization": "Bearer tk-1", "Content-Type": "application/x-test",
		},
		Body: `{"title":{{json (title .)}},"why":{{json .Alert.Why}},"do":{{json .Alert.Do}},"amps":{{json .Alert.Amps}}}`,
	}, m)
	var got struct {
		Title, Do string
		Why       []string
	}
	if err := json.Unmarshal([]byte(body), &got); err != nil {
		t.Fatalf("%v: %s", err, body)
	}
	if got.Title != m.Alert.Title || got.Do != m.Alert.Do || len(got.Why) != 2 {
		t.Errorf("%+v", got)
	}
	word, err := new(mime.WordDecoder).DecodeHeader(r.Header.Get("X-Word"))
	if err != nil || word != m.Alert.Title {
		t.Errorf("%q: %v", word, err)
	}
	want := http.Header{
		"Title": {`left: "naïve" X-Injected: 1`}, "Priority": {"5"}, "Click": {m.Link}, "Authorization": {"Bearer tk-1"},
		"Content-Type": {"application/x-test"}, "Idempotency-Key": {m.Key},
	}
	for _, name := range []string{"X-Word", "Accept-Encoding", "User-Agent", "Content-Length"} {
		r.Header.Del(name)
	}
	if d := cmp.Diff(want, r.Header); d != "" || r.Method != http.MethodPut {
		t.Error(r.Method, d)
	}
}

func TestPriorities(t *testing.T) {
	m := outlettest.Message(alert.Raised)
	for severity, want := range map[bench.Severity]string{bench.Danger: "urgent", bench.Caution: "", bench.Notice: "low"} {
		m.Alert.Severity = severity
		r, _ := published(t, publish.Options{
			Headers:    map[string]string{"Priority": "{{priority .}}"},
			Priorities: map[bench.Severity]string{bench.Danger: "urgent", bench.Notice: "low"},
		}, m)
		if got := r.Header.Get("Priority"); got != want {
			t.Errorf("%s: %q, want %q", severity, got, want)
		}
	}
}

func TestRefused(t *testing.T) {
	for name, tt := range map[string]struct {
		o    publish.Options
		want string
	}{
		"no address":          {publish.Options{}, `publish "x": url: must begin with http:// or https:// and a host`},
		"method":              {publish.Options{URL: "http://h", Method: "DELETE"}, "method \"DELETE\": must be"},
		"syntax":              {publish.Options{URL: "http://h", Body: "{{"}, "body: body:1: unclosed action"},
		"no such function":    {publish.Options{URL: "http://h", Body: "{{titel .}}"}, `function "titel" not defined`},
		"no such field":       {publish.Options{URL: "http://h", Body: "{{.Alert.Titel}}"}, "can't evaluate field Titel"},
		"in a header":         {publish.Options{URL: "http://h", Headers: map[string]string{"Title": "{{.Titel}}"}}, "header Title:1"},
		"bad header":          {publish.Options{URL: "http://h", Headers: map[string]string{"Ti tle": "x"}}, `header "Ti tle": name or value`},
		"what may be missing": {publish.Options{URL: "http://h", Body: "{{index .Alert.Why 0}}"}, "index out of range"},
		"endless": {
			publish.Options{URL: "http://h", Body: strings.Repeat("x", 65537)}, "body: 65537 bytes, the most is 65536",
		},
	} {
		o := tt.o
		o.Name = "x"
		if _, err := publish.New(o); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", name, err, tt.want)
		}
	}
}

// TestTooLate holds that a template that fails on one message only is told apart.
func TestTooLate(t *testing.T) {
	o := made(t, publish.Options{URL: "http://127.0.0.1:1", Body: `{{if eq .To "lee"}}{{index .Alert.Why 5}}{{end}}`})
	m := outlettest.Message(alert.Raised)
	m.To = "lee"
	if err := o.Deliver(t.Context(), m); !alert.IsPermanent(err) {
		t.Errorf("%v: want it permanent", err)
	}
}
