package api_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"go.uber.org/zap"

	"benchvigil/internal/access"
	"benchvigil/internal/api"
	"benchvigil/internal/bench"
)

// Every operation says what it is for, what it answers and why it refuses.
func TestEveryOperationIsDescribed(t *testing.T) {
	code, body, _ := ask(t, (&desk{}).handler(t), "GET", "/openapi.json", "")
	var doc struct {
		OpenAPI string
		Paths   map[string]map[string]struct {
			OperationID, Summary, Description string
			RequestBody                       *struct {
				Content map[string]struct{ Example any }
			}
			Parameters []struct{ Name, Description string }
			Responses  map[string]struct{ Content map[string]any }
		}
	}
	if err := json.Unmarshal([]byte(body), &doc); err != nil || code != http.StatusOK || doc.OpenAPI != "3.1.0" {
		t.Fatalf("%d %v %q", code, err, doc.OpenAPI)
	}
	if len(doc.Paths) < 18 {
		t.Errorf("only %d paths", len(doc.Paths))
	}
	for path, ops := range doc.Paths {
		for method, op := range ops {
			name := method + " " + path
			if op.OperationID == "" || op.Summary == "" || op.Description == "" {
				t.Errorf("%s: %+v", name, op)
			}
			if op.Responses["422"].Content["application/problem+json"] == nil {
				t.Errorf("%s: no problem is described", name)
			}
			if method == "post" && (op.RequestBody == nil || op.RequestBody.Content["application/json"].Example == nil || op.Responses["403"].Content == nil) {
				t.Errorf("%s: no example, or no refusal", name)
			}
			for _, p := range op.Parameters {
				if p.Description == "" {
					t.Errorf("%s: %s is not described", name, p.Name)
				}
			}
		}
	}
	if code, body, _ := ask(t, (&desk{}).handler(t), "GET", "/openapi.yaml", ""); code != http.StatusOK || !strings.Contains(body, "openapi: 3.1.0") {
		t.Errorf("as YAML: %d %.80s", code, body)
	}
}

// What a client has already is not sent again; what differs is.
func TestEntityTags(t *testing.T) {
	h := (&watcher{}).handler(t)
	for _, path := range []string{"/api/v1/stations", "/api/v1/stations/s1", "/api/v1/alerts", "/api/v1/alerts/s1.dropped"} {
		_, _, head := ask(t, h, "GET", path, "")
		tag := head.Get("ETag")
		for sent, want := range map[string]int{tag: 304, `"other", W/` + tag: 304, "*": 304, `"other"`: 200} {
			r := httptest.NewRequestWithContext(working(t), http.MethodGet, path, nil)
			r.Header.Set("If-None-Match", sent)
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if w.Code != want || (w.Body.Len() == 0) != (want == 304) || !strings.HasPrefix(tag, `"`) {
				t.Errorf("%s with %s: %d %s", path, sent, w.Code, w.Body)
			}
		}
	}
}

// Whoever may only look changes nothing; whoever is logged in signs with their
// own name, whatever the request says.
func TestWhoActs(t *testing.T) {
	d, k := &desk{}, &watcher{}
	post := func(h http.Handler, who access.Who, path, body string) int {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequestWithContext(access.With(t.Context(), who), http.MethodPost, path, strings.NewReader(body)))
		return w.Code
	}
	marks, acts, test := "/api/v1/stations/s1/marks", "/api/v1/alerts/s1.dropped", "/api/v1/alerts/test"
	dh, kh := d.handler(t), k.handler(t)
	for _, who := range []access.Who{{}, {Name: "wall", Role: access.View}} {
		for _, code := range []int{post(dh, who, marks, `{"kind":"note","text":"x"}`), post(kh, who, acts, `{"do":"acknowledge"}`), post(kh, who, test, `{}`)} {
			if code != http.StatusForbidden {
				t.Errorf("%+v: %d", who, code)
			}
		}
	}
	for _, who := range []access.Who{{}, {Name: "wall", Role: access.View}} {
		w := httptest.NewRecorder()
		h := api.New(api.Options{Snapshots: func() []bench.Snapshot { return nil }, Logger: zap.NewNop(), Past: &pastFake{}})
		h.ServeHTTP(w, httptest.NewRequestWithContext(access.With(t.Context(), who), http.MethodGet, "/api/v1/audit", http.NoBody))
		if w.Code != http.StatusForbidden {
			t.Errorf("%+v sees what others did: %d", who, w.Code)
		}
	}
	if len(d.marks)+len(k.acts) > 0 || k.tested != [2]string{} {
		t.Fatalf("done all the same: %v %v %v", d.marks, k.acts, k.tested)
	}
	kim := access.Who{Name: "kim", Role: access.Work}
	post(dh, kim, marks, `{"kind":"note","text":"x","by":"lee"}`)
	post(kh, kim, acts, `{"do":"acknowledge","by":"lee"}`)
	post(kh, kim, test, `{"by":"lee"}`)
	if len(d.marks) != 1 || d.marks[0].By != "kim" || len(k.acts) != 1 || k.acts[0] != (bench.AlertAct{Do: bench.DeedAcknowledge, Key: "s1.dropped", By: "kim"}) || k.tested[1] != "kim" {
		t.Errorf("%v %v %v", d.marks, k.acts, k.tested)
	}
}
