package api_test

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap/zaptest"

	"benchvigil/internal/api"
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// watcher keeps alerts behind the interface.
type watcher struct {
	acts     []bench.AlertAct
	tested   [2]string
	from, to time.Time
	refuse   error
}

func dropped(station string) bench.AlertView {
	p := bench.AlertPoint{Station: station, Kind: bench.AlertDropped}
	return bench.AlertView{
		Alert: bench.Alert{Key: p.KeyAt(moment), Kind: p.Kind, Severity: bench.Danger, Station: station, Title: "Left went down", Text: "Look at it.", Do: "Start it.", Since: moment},
		State: bench.AlertUnacknowledged, Stands: true, Changed: moment, Raised: moment,
	}
}

func (k *watcher) handler(t *testing.T) http.Handler {
	t.Helper()
	hub := bench.AlertView{Alert: bench.Alert{Key: "bench.hub-lost.5", Kind: bench.AlertHubLost, Others: []string{"s1"}}}
	return api.New(api.Options{
		Logger:    zaptest.NewLogger(t),
		Snapshots: func() []bench.Snapshot { return []bench.Snapshot{{Station: "s1"}, {Station: "s2"}} },
		Alerts:    func() []bench.AlertView { return []bench.AlertView{dropped("s1"), dropped("s2"), hub} },
		Act: func(a bench.AlertAct) error {
			k.acts = append(k.acts, a)
			return k.refuse
		},
		TestAlert: func(_ context.Context, outlet, by string) ([]bench.OutletView, error) {
			k.tested = [2]string{outlet, by}
			return nil, k.refuse
		},
		Load: func(_ context.Context, from, to time.Time) (any, error) {
			k.from, k.to = from, to
			return map[string]int{"raised": 3}, k.refuse
		},
		Outlets: func() []bench.OutletView { return []bench.OutletView{{Name: "phones", Kind: "web-push", Delivered: 2}} },
	})
}

func TestAlerts(t *testing.T) {
	h := (&watcher{}).handler(t)
	for path, want := range map[string][]string{
		"/api/v1/alerts":            {"s1.dropped.1772486045000", "s2.dropped.1772486045000", "bench.hub-lost.5"},
		"/api/v1/alerts?station=s1": {"s1.dropped.1772486045000", "bench.hub-lost.5"},
		"/api/v1/alerts?station=s2": {"s2.dropped.1772486045000"},
	} {
		code, body, _ := ask(t, h, "GET", path, "")
		var got []bench.AlertView
		if err := json.Unmarshal([]byte(body), &got); err != nil || code != http.StatusOK {
			t.Fatalf("%s: %d %v %s", path, code, err, body)
		}
		var keys []string
		for _, v := range got {
			keys = append(keys, v.Key)
		}
		if d := cmp.Diff(want, keys); d != "" {
			t.Errorf("%s: %s", path, d)
		}
	}
	for _, key := range []string{"s2.dropped", "s2.dropped.1772486045000"} {
		code, body, _ := ask(t, h, "GET", "/api/v1/alerts/"+key, "")
		var got bench.AlertView
		if err := json.Unmarshal([]byte(body), &got); err != nil || code != http.StatusOK {
			t.Fatalf("%d %v %s", code, err, body)
		}
		if d := cmp.Diff(dropped("s2"), got, cmp.Comparer(func(a, b unit.Maybe[unit.Current]) bool { return a == b })); d != "" {
			t.Error(d)
		}
	}
	if code, body, _ := ask(t, h, "GET", "/api/v1/outlets", ""); code != 200 || strings.TrimSpace(body) != `[{"name":"phones","kind":"web-push","waiting":0,"delivered":2,"failed":0,"given_up":0}]` {
		t.Errorf("%d %s", code, body)
	}
}

func TestActs(t *testing.T) {
	k := &watcher{}
	h := k.handler(t)
	for _, a := range []struct{ key, body string }{
		{"s1.dropped.1", `{"do":"acknowledge","by":" kim "}`},
		{"s1.dropped", `{"do":"shelve","by":"kim"}`},
		{"s1.draw.high-idle", `{"do":"shelve","for_s":3600}`},
		{"s1.dropped", `{"do":"take-out","by":"kim"}`},
	} {
		if code, body, _ := ask(t, h, "POST", "/api/v1/alerts/"+a.key, a.body); code != http.StatusNoContent {
			t.Fatalf("%s: %d %s", a.body, code, body)
		}
	}
	want := []bench.AlertAct{
		{Do: bench.DeedAcknowledge, Key: "s1.dropped.1", By: "kim"},
		{Do: bench.DeedShelve, Key: "s1.dropped", By: "kim", For: 15 * time.Minute},
		{Do: bench.DeedShelve, Key: "s1.draw.high-idle", For: time.Hour},
		{Do: bench.DeedTakeOut, Key: "s1.dropped", By: "kim"},
	}
	if d := cmp.Diff(want, k.acts); d != "" {
		t.Error(d)
	}
	if code, body, _ := ask(t, h, "POST", "/api/v1/alerts/test", `{"by":"kim","outlet":"phones"}`); code != 200 || strings.TrimSpace(body) != "[]" || k.tested != [2]string{"phones", "kim"} {
		t.Errorf("%d %s %v", code, body, k.tested)
	}
}

func TestLoad(t *testing.T) {
	k := &watcher{}
	h := k.handler(t)
	for query, days := range map[string]int{"": 7, "?days=1": 1, "?days=366": 366} {
		code, body, _ := ask(t, h, "GET", "/api/v1/alerts/load"+query, "")
		if code != 200 || strings.TrimSpace(body) != `{"raised":3}` || !k.to.AddDate(0, 0, -days).Equal(k.from) {
			t.Errorf("%s: %d %s from %v to %v", query, code, body, k.from, k.to)
		}
	}
}

func TestAlertRefusals(t *testing.T) {
	for _, tc := range []struct {
		name, method, path, body string
		refuse                   error
		code                     int
		want                     string
	}{
		{"no station", "GET", "/api/v1/alerts?station=s9", "", nil, 404, `no station \"s9\"`},
		{"no alert", "GET", "/api/v1/alerts/s9.dropped", "", nil, 404, `no alert \"s9.dropped\"`},
		{"no JSON", "POST", "/api/v1/alerts/s1.dropped", "do=acknowledge", nil, 400, "cannot be read"},
		{"a field too many", "POST", "/api/v1/alerts/s1.dropped", `{"do":"acknowledge","who":"kim"}`, nil, 422, `"detail":"who: is no field of this request: there are by, do, for_s"`},
		{"nothing to do", "POST", "/api/v1/alerts/s1.dropped", `{"by":"kim"}`, nil, 422, "do: is needed"},
		{"too long", "POST", "/api/v1/alerts/s1.dropped", `{"do":"shelve","for_s":50000}`, nil, 422, "for_s: want number <= 43200, not 50000"},
		{"less than none", "POST", "/api/v1/alerts/s1.dropped", `{"do":"shelve","for_s":-1}`, nil, 422, "for_s"},
		{"a name of two lines", "POST", "/api/v1/alerts/s1.dropped", `{"do":"acknowledge","by":"a\nb"}`, nil, 422, "printable"},
		{"an outlet", "POST", "/api/v1/alerts/s1.dropped", `{"do":"acknowledge","outlet":"phones"}`, nil, 422, `"field":"outlet"`},
		{"what cannot be", "POST", "/api/v1/alerts/s1.dropped", `{"do":"snooze"}`, nil, 422, `do: want value to be one of \"acknowledge, shelve, unshelve, take-out, put-back\", not \"snooze\"`},
		{"a time that has none", "POST", "/api/v1/alerts/s1.dropped", `{"do":"acknowledge","for_s":60}`, nil, 422, `"field":"for_s","detail":"only shelve lasts`},
		{"a blink", "POST", "/api/v1/alerts/s1.dropped", `{"do":"shelve","for_s":0.1}`, nil, 422, "want 1s to 12h"},
		{"a list", "POST", "/api/v1/alerts/s1.dropped", `[]`, nil, 422, "want object"},
		{"refused", "POST", "/api/v1/alerts/s1.dropped", `{"do":"acknowledge"}`, errors.New("it is over"), 409, "it is over"},
		{"test that does something", "POST", "/api/v1/alerts/test", `{"do":"acknowledge"}`, nil, 422, "do: is no field of this request: there are by, outlet"},
		{"test of no outlet", "POST", "/api/v1/alerts/test", `{"outlet":"fax"}`, nil, 422, `none named \"fax\": there are phones`},
		{"test refused", "POST", "/api/v1/alerts/test", `{}`, errors.New("one a minute"), 409, "one a minute"},
		{"days", "GET", "/api/v1/alerts/load?days=0", "", nil, 422, "days: want number >= 1, not 0"},
		{"load", "GET", "/api/v1/alerts/load", "", errors.New("the ledger is down"), 503, "the ledger is down"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			code, body, header := ask(t, (&watcher{refuse: tc.refuse}).handler(t), tc.method, tc.path, tc.body)
			if code != tc.code || !strings.Contains(body, tc.want) || header.Get("Content-Type") != "application/problem+json" {
				t.Errorf("%d %s %s, want %d %s", code, header.Get("Content-Type"), body, tc.code, tc.want)
			}
		})
	}
}

// A bench that keeps no alerts says so.
func TestNoAlerts(t *testing.T) {
	h := (&desk{}).handler(t)
	for _, r := range []struct{ method, path, body string }{
		{"GET", "/api/v1/alerts", ""},
		{"GET", "/api/v1/alerts/s1.dropped", ""},
		{"POST", "/api/v1/alerts/s1.dropped", `{"do":"acknowledge"}`},
		{"POST", "/api/v1/alerts/test", `{}`},
		{"GET", "/api/v1/alerts/load", ""},
		{"GET", "/api/v1/outlets", ""},
	} {
		if code, body, _ := ask(t, h, r.method, r.path, r.body); code != 404 || !strings.Contains(body, "no alerts are kept") {
			t.Errorf("%s %s: %d %s", r.method, r.path, code, body)
		}
	}
}

// A page of another site cannot acknowledge anything.
func TestForeignActs(t *testing.T) {
	k := &watcher{}
	h := k.handler(t)
	code, _ := foreignly(t, h, "/api/v1/alerts/s1.dropped", `{"do":"acknowledge"}`)
	if code != http.StatusForbidden || len(k.acts) > 0 {
		t.Errorf("%d, did %v", code, k.acts)
	}
}

// foreignly posts as a browser does for a page of another site.
func foreignly(t *testing.T, h http.Handler, path, body string) (int, string) {
	t.Helper()
	w := httptest.NewRecorder()
	r := httptest.NewRequestWithContext(working(t), http.MethodPost, path, strings.NewReader(body))
	r.Header.Set("Sec-Fetch-Site", "cross-site")
	h.ServeHTTP(w, r)
	return w.Code, w.Body.String()
}
