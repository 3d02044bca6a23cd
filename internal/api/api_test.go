package api_test

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap/zaptest"

	"benchvigil/internal/access"
	"benchvigil/internal/api"
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

var moment = time.Date(2026, 3, 2, 21, 14, 5, 0, time.UTC)

// desk is a bench behind the interface.
type desk struct {
	marks []bench.Mark
	busy  bool
	lines chan []byte
}

func (d *desk) handler(t *testing.T) http.Handler {
	t.Helper()
	return api.New(api.Options{
		Logger: zaptest.NewLogger(t),
		Snapshots: func() []bench.Snapshot {
			return []bench.Snapshot{{
				Station: "s1", Name: "Left", Profile: "invented-handset", Port: "1-2", At: moment,
				Hookup: bench.Hookup{Path: bench.FromSupply, USB: true}, Mode: bench.Running, Label: "running", Window: 210 * time.Second,
				Run:     &bench.RunView{Start: moment.Add(-time.Minute), Uptime: time.Minute, Origin: moment.Add(-40 * time.Second)},
				Reading: bench.ReadingView{At: moment, Amps: unit.Some(412 * unit.Milliampere)},
				USB:     bench.USBView{Present: true, ID: bench.USBID{Vendor: 0x1209, Product: 4}, Since: moment.Add(-40 * time.Second)},

				LastMark: bench.MarkView{At: moment, Kind: bench.MarkNote, Text: "hot", By: "kim"},
			}}
		},
		Mark: func(_ string, m bench.Mark) bool {
			if d.busy {
				return false
			}
			d.marks = append(d.marks, m)
			return true
		},
		Follow: func(context.Context, string) ([][]byte, <-chan []byte, func()) {
			return [][]byte{[]byte(`{"recording":1}`)}, d.lines, func() {}
		},
	})
}

// working is the context of somebody at this computer.
func working(t *testing.T) context.Context {
	t.Helper()
	return access.With(t.Context(), access.Who{Role: access.Work, Local: true})
}

func ask(t *testing.T, h http.Handler, method, path, body string) (int, string, http.Header) {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequestWithContext(working(t), method, path, strings.NewReader(body)))
	return w.Code, w.Body.String(), w.Header()
}

func TestStations(t *testing.T) {
	h := (&desk{}).handler(t)
	code, body, _ := ask(t, h, "GET", "/api/v1/stations/s1", "")
	var got map[string]any
	if err := json.Unmarshal([]byte(body), &got); err != nil || code != http.StatusOK {
		t.Fatalf("%d %v %s", code, err, body)
	}
	want := map[string]any{
		"station": "s1", "name": "Left", "profile": "invented-handset", "port": "1-2", "power": "supply", "at": "2026-03-02T21:14:05Z",
		"mode": "running", "label": "running", "window_s": 210.0,
		"run":     map[string]any{"start": "2026-03-02T21:13:05Z", "uptime_s": 60.0, "window_from": "2026-03-02T21:13:25Z"},
		"reading": map[string]any{"at": "2026-03-02T21:14:05Z", "amps": 0.412},
		"usb":     map[string]any{"present": true, "id": "1209:0004", "since": "2026-03-02T21:13:25Z"},

		"last_mark": map[string]any{"at": "2026-03-02T21:14:05Z", "kind": "note", "text": "hot", "by": "kim"},

		"counts": map[string]any{"drops": 0.0, "reclassified": 0.0, "stalls": 0.0, "restarts": 0.0, "readings": 0.0, "bad_readings": 0.0, "queue_drops": 0.0},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if code, body, _ := ask(t, h, "GET", "/api/v1/stations", ""); code != http.StatusOK || !strings.HasPrefix(body, "[{") {
		t.Errorf("the list: %d %s", code, body)
	}
}

func TestMark(t *testing.T) {
	d := &desk{}
	h := d.handler(t)
	if code, body, _ := ask(t, h, "POST", "/api/v1/stations/s1/marks", `{"kind":"hands-on","by":"kim","for_s":90}`); code != http.StatusNoContent {
		t.Fatalf("%d %s", code, body)
	}
	want := []bench.Mark{{Kind: bench.MarkHandsOn, By: "kim", For: 90 * time.Second}}
	if diff := cmp.Diff(want, d.marks); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Everything that is refused says why, as RFC 9457 wants it.
func TestRefusals(t *testing.T) {
	for _, tc := range []struct {
		name, method, path, body string
		busy                     bool
		code                     int
		want                     string
	}{
		{"no station", "GET", "/api/v1/stations/s9", "", false, 404, `no station \"s9\"`},
		{"no such path", "GET", "/api/v2/stations", "", false, 404, "there is no GET /api/v2/stations"},
		{"mark nobody", "POST", "/api/v1/stations/s9/marks", `{"kind":"stop"}`, false, 404, "s9"},
		{"no mark", "POST", "/api/v1/stations/s1/marks", `{"kind":"pause"}`, false, 422, `kind: want value to be one of \"stop, resume,`},
		{"no screen", "POST", "/api/v1/stations/s1/marks", `{"kind":"screen","text":"blue"}`, false, 422, `\"blue\" is no screen`},
		{"nothing dropped", "POST", "/api/v1/stations/s1/marks", `{"kind":"mine"}`, false, 409, "nothing dropped on s1"},
		{"empty note", "POST", "/api/v1/stations/s1/marks", `{"kind":"note","text":" "}`, false, 422, "a note needs words"},
		{"too long", "POST", "/api/v1/stations/s1/marks", `{"kind":"hands-on","for_s":90000}`, false, 422, "for_s: want number <= 7200, not 90000"},
		{"misspelt", "POST", "/api/v1/stations/s1/marks", `{"kind":"stop","bye":"kim"}`, false, 422, "bye"},
		{"not JSON", "POST", "/api/v1/stations/s1/marks", `stop`, false, 400, "cannot be read"},
		{"too much", "POST", "/api/v1/stations/s1/marks", `{"kind":"note","text":"` + strings.Repeat("x", 9000) + `"}`, false, 413, "too large"},
		{"for a time", "POST", "/api/v1/stations/s1/marks", `{"kind":"stop","for_s":60}`, false, 422, `"field":"for_s"`},
		{"a word that there is not", "GET", "/api/v1/stations?colour=red", "", false, 422, "colour: is nothing that can be asked for: there is none"},
		{"two stations", "GET", "/api/v1/observations?station=s1&station=s2", "", false, 422, "station: is given more than once"},
		{"busy", "POST", "/api/v1/stations/s1/marks", `{"kind":"stop"}`, true, 503, "try again"},
		{"follow nobody", "GET", "/api/v1/observations?station=s9", "", false, 404, "s9"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			code, body, head := ask(t, (&desk{busy: tc.busy}).handler(t), tc.method, tc.path, tc.body)
			if code != tc.code || !strings.Contains(body, tc.want) || head.Get("Content-Type") != "application/problem+json" {
				t.Errorf("%d %s %s; want %d with %q", code, head.Get("Content-Type"), body, tc.code, tc.want)
			}
		})
	}
}

// A page of another site cannot make marks through somebody's browser.
func TestCrossSiteMarkIsRefused(t *testing.T) {
	d := &desk{}
	r := httptest.NewRequestWithContext(working(t), "POST", "/api/v1/stations/s1/marks", strings.NewReader(`{"kind":"stop"}`))
	r.Header.Set("Sec-Fetch-Site", "cross-site")
	w := httptest.NewRecorder()
	d.handler(t).ServeHTTP(w, r)
	if w.Code != http.StatusForbidden || len(d.marks) != 0 {
		t.Errorf("%d and %d marks; want 403 and none", w.Code, len(d.marks))
	}
}

func TestFollow(t *testing.T) {
	d := &desk{lines: make(chan []byte, 2)}
	srv := httptest.NewServer(d.handler(t))
	defer srv.Close()
	d.lines <- []byte(`{"a":1}`)
	d.lines <- []byte(`{"a":2}`)
	close(d.lines)
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, srv.URL+"/api/v1/observations", nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := srv.Client().Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close() //nolint:errcheck // read to its end
	b, err := io.ReadAll(bufio.NewReader(res.Body))
	if want := "{\"recording\":1}\n{\"a\":1}\n{\"a\":2}\n"; err != nil || string(b) != want {
		t.Errorf("%q, %v; want %q", b, err, want)
	}
}

// A notice comes through a header as it is, however long, in whatever letters.
func TestNotice(t *testing.T) {
	for _, notice := range []string{"", "refused", "config.yaml:3: \"größer\"\nconfig.yaml:4: x", strings.Repeat("lang — länger ", 40)} {
		srv := httptest.NewServer(api.New(api.Options{
			Logger: zaptest.NewLogger(t), Notice: func() string { return notice }, Snapshots: func() []bench.Snapshot { return nil },
		}))
		res, err := srv.Client().Get(srv.URL + "/api/v1/stations")
		if err != nil {
			t.Fatal(err)
		}
		if err := res.Body.Close(); err != nil {
			t.Error(err)
		}
		srv.Close()
		if got := api.NoticeOf(res.Header); got != notice {
			t.Errorf("got %q, want %q", got, notice)
		}
	}
}
