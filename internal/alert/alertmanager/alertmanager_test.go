package alertmanager_test

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/alertmanager"
	"benchvigil/internal/alert/outlettest"
	"benchvigil/internal/bench"
)

func TestConformance(t *testing.T) {
	outlettest.HTTP{New: func(t *testing.T, url string) outlettest.Outlet {
		return made(t, alertmanager.Options{URL: url, Standing: func() []bench.AlertView { return nil }})
	}}.Run(t)
}

func made(t *testing.T, o alertmanager.Options) *alertmanager.Outlet {
	t.Helper()
	o.Bench = "bench"
	out, err := alertmanager.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// posted is an alert as it arrives.
type posted struct {
	Labels, Annotations map[string]string
	StartsAt, EndsAt    time.Time
	GeneratorURL        string
}

// fake is an Alertmanager that only listens.
type fake struct {
	url   string
	posts chan []posted
}

func newFake(t *testing.T) *fake {
	t.Helper()
	f := &fake{posts: make(chan []posted, 100)}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var p []posted
		if err := json.NewDecoder(r.Body).Decode(&p); err != nil || r.URL.Path != "/am/api/v2/alerts" || r.Method != http.MethodPost {
			t.Errorf("%s %s: %v", r.Method, r.URL.Path, err)
		}
		select {
		case f.posts <- p:
		default: // more than the test looks at
		}
	}))
	t.Cleanup(srv.Close)
	f.url = srv.URL + "/am/"
	return f
}

// next is the next post: severity and how much longer each alert lasts.
func (f *fake) next(now time.Time) map[string]time.Duration {
	out := map[string]time.Duration{}
	for _, p := range <-f.posts {
		out[p.Labels["station"]+" "+p.Labels["severity"]] = p.EndsAt.Sub(now)
	}
	return out
}

// stand is what stands.
type stand struct {
	mu    sync.Mutex
	views []bench.AlertView
}

func (s *stand) set(v ...bench.AlertView) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.views = v
}

func (s *stand) get() []bench.AlertView {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.views)
}

func TestShape(t *testing.T) {
	f, now := newFake(t), time.Date(2026, 3, 2, 21, 15, 0, 0, time.UTC)
	o := made(t, alertmanager.Options{
		URL: f.url, Standing: (&stand{}).get, Now: func() time.Time { return now },
		Link: func(v bench.AlertView) string { return "https://bench.example/alerts/" + v.Key },
	})
	m := outlettest.Message(alert.Raised)
	m.Alert.Rule = "evening"
	if err := o.Deliver(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	want := []posted{{
		Labels: map[string]string{
			"alertname": "BenchvigilDropped", "bench": "bench", "station": "s1", "kind": "dropped", "rule": "evening", "severity": "danger",
		},
		Annotations: map[string]string{
			"summary": m.Alert.Title, "description": m.Alert.Text, "do": m.Alert.Do, "name": "left", "case": "C-0042",
			"why": "current fell within 100 ms; USB went with it — naïve cable?",
		},
		StartsAt: m.Alert.Since, EndsAt: now.Add(5 * time.Minute), GeneratorURL: "https://bench.example/alerts/" + m.Alert.Key,
	}}
	if d := cmp.Diff(want, <-f.posts); d != "" {
		t.Error(d)
	}
}

// TestLife goes through what an alert can become.
func TestLife(t *testing.T) {
	f, now := newFake(t), time.Date(2026, 3, 2, 21, 15, 0, 0, time.UTC)
	o := made(t, alertmanager.Options{URL: f.url, Standing: (&stand{}).get, Now: func() time.Time { return now }})
	const on, off = 5 * time.Minute, time.Duration(0)
	for _, tt := range []struct {
		name   string
		deed   alert.Deed
		change func(v *bench.AlertView)
		want   map[string]time.Duration
	}{
		{"raised", alert.Raised, func(*bench.AlertView) {}, map[string]time.Duration{"s1 danger": on}},
		{"acknowledged", alert.Taken, func(v *bench.AlertView) { v.State = bench.AlertAcknowledged }, map[string]time.Duration{"s1 danger": on}},
		{"less grave", alert.Changed, func(v *bench.AlertView) { v.Severity = bench.Caution }, map[string]time.Duration{"s1 danger": off, "s1 caution": on}},
		{"shelved", alert.Taken, func(v *bench.AlertView) { v.State, v.Severity = bench.AlertShelved, bench.Caution }, map[string]time.Duration{"s1 caution": off}},
		{"unshelved", alert.Repeated, func(*bench.AlertView) {}, map[string]time.Duration{"s1 danger": on}},
		{"over", alert.Returned, func(*bench.AlertView) {}, map[string]time.Duration{"s1 danger": off}},
		{"news", alert.Raised, func(v *bench.AlertView) { v.Passing, v.Stands, v.Severity = true, false, bench.Notice }, map[string]time.Duration{"s1 notice": on}},
		{"a test", alert.Test, func(v *bench.AlertView) { v.Stands = false }, map[string]time.Duration{"s1 danger": on}},
		{"from the future", alert.Raised, func(v *bench.AlertView) { v.Since = now.Add(time.Hour) }, map[string]time.Duration{"s1 danger": on}},
	} {
		m := outlettest.Message(tt.deed)
		tt.change(&m.Alert)
		if err := o.Deliver(t.Context(), m); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(tt.want, f.next(now)); d != "" {
			t.Errorf("%s: %s", tt.name, d)
		}
	}
}

// TestRun posts what stands again and again, and ends what stands no more.
func TestRun(t *testing.T) {
	f, now := newFake(t), time.Date(2026, 3, 2, 21, 15, 0, 0, time.UTC)
	s := &stand{}
	left, held := outlettest.Message(alert.Raised).Alert, outlettest.Message(alert.Raised).Alert
	held.Station, held.State = "s2", bench.AlertSuppressed
	s.set(left, held)
	o := made(t, alertmanager.Options{URL: f.url, Standing: s.get, Every: 5 * time.Millisecond, Now: func() time.Time { return now }})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- o.Run(ctx) }()
	for range 3 {
		if d := cmp.Diff(map[string]time.Duration{"s1 danger": 5 * time.Minute}, f.next(now)); d != "" {
			t.Error(d)
		}
	}
	s.set(held)
	for f.next(now)["s1 danger"] != 0 { // posts on their way
	}
	held.State = bench.AlertUnacknowledged
	s.set(held)
	if d := cmp.Diff(map[string]time.Duration{"s2 danger": 5 * time.Minute}, f.next(now)); d != "" {
		t.Error(d)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// TestEndRetried holds that an end that was not taken is posted again.
func TestEndRetried(t *testing.T) {
	now := time.Date(2026, 3, 2, 21, 15, 0, 0, time.UTC)
	s := &stand{}
	s.set(outlettest.Message(alert.Raised).Alert)
	f := newFake(t)
	o := made(t, alertmanager.Options{URL: f.url, Standing: s.get, Every: 5 * time.Millisecond, Now: func() time.Time { return now }})
	m := outlettest.Message(alert.Raised)
	if err := o.Deliver(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	f.next(now)
	s.set()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := o.Deliver(ctx, outlettest.Message(alert.Returned)); err == nil {
		t.Fatal("delivered without a context")
	}
	ctx, cancel = context.WithCancel(t.Context())
	defer cancel()
	done := make(chan error)
	go func() { done <- o.Run(ctx) }()
	if d := cmp.Diff(map[string]time.Duration{"s1 danger": 0}, f.next(now)); d != "" {
		t.Error(d)
	}
	cancel()
	<-done
}

func TestRefused(t *testing.T) {
	none := func() []bench.AlertView { return nil }
	for name, tt := range map[string]struct {
		o    alertmanager.Options
		want string
	}{
		"no address": {alertmanager.Options{Name: "am", Standing: none}, `alertmanager "am": url: must begin`},
		"nobody":     {alertmanager.Options{URL: "http://h"}, "nobody says what stands"},
		"too seldom": {alertmanager.Options{URL: "http://h", Standing: none, Every: 2 * time.Minute}, "every 2m0s: must be"},
		"header":     {alertmanager.Options{URL: "http://h", Standing: none, Headers: map[string]string{"a b": ""}}, `header "a b"`},
	} {
		if _, err := alertmanager.New(tt.o); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", name, err, tt.want)
		}
	}
}
