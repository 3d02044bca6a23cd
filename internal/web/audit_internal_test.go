package web

import (
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap/zaptest"

	"benchvigil/internal/access"
	"benchvigil/internal/bench"
)

// trailFake is a past of which only the trail is asked.
type trailFake struct {
	Past
	asked access.AuditQuery
}

func (f *trailFake) Audit(_ context.Context, q access.AuditQuery) ([]access.Entry, int64, error) {
	f.asked = q
	return []access.Entry{
		{Seq: 8, At: time.Date(2026, 3, 31, 23, 1, 2, 0, time.UTC), Who: "<kim>", From: "192.0.2.7", Did: "acknowledged", On: "s1.dropped", Outcome: "done"},
		{Seq: 7, At: time.Date(2026, 3, 31, 23, 1, 1, 0, time.UTC), From: "192.0.2.7", Did: "marked stop", On: "s1", Outcome: "refused (409 Conflict)"},
	}, 7, nil
}

func askAudit(t *testing.T, past Past, who access.Who, path string) (int, string) {
	t.Helper()
	s, err := New(Options{
		Bench: "north", Past: past, Zone: time.UTC, Logger: zaptest.NewLogger(t), Snapshots: func() []bench.Snapshot { return nil },
		Access: func(next http.Handler) http.Handler {
			return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				next.ServeHTTP(w, r.WithContext(access.With(r.Context(), who)))
			})
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	w := httptest.NewRecorder()
	s.mux().ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil))
	return w.Code, w.Body.String()
}

func TestAuditPage(t *testing.T) {
	f := &trailFake{}
	kim := access.Who{Name: "kim", Role: access.Work}
	code, body := askAudit(t, f, kim, "/audit?who=kim&station=s1&from=2026-03-31&to=2026-03-31&before=9")
	want := access.AuditQuery{
		From: time.Date(2026, 3, 31, 0, 0, 0, 0, time.UTC), To: time.Date(2026, 3, 31, 23, 59, 59, int(999*time.Millisecond), time.UTC),
		Who: "kim", Station: "s1", Before: 9, Limit: trailPage,
	}
	if code != http.StatusOK || f.asked != want {
		t.Errorf("%d, asked %+v, want %+v", code, f.asked, want)
	}
	for _, text := range []string{"2026-03-31 23:01:02", "&lt;kim&gt;", "Somebody at this computer", "Refused (409 Conflict)", "192.0.2.7", "before=7"} {
		if !strings.Contains(body, text) {
			t.Errorf("the page lacks %q", text)
		}
	}
	for _, path := range []string{"/audit?from=31.3.", "/audit?before=x", "/audit?before=-1"} {
		if code, _ := askAudit(t, f, kim, path); code != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d", path, code)
		}
	}
}

func TestAuditIsForThoseWhoWork(t *testing.T) {
	code, body := askAudit(t, &trailFake{}, access.Who{Name: "lee", Role: access.View}, "/audit")
	if code != http.StatusForbidden || strings.Contains(body, "acknowledged") {
		t.Errorf("a viewer: %d", code)
	}
	if code, body := askAudit(t, nil, access.Who{Name: "kim", Role: access.Work}, "/audit"); code != http.StatusOK || !strings.Contains(body, "--data FOLDER") {
		t.Errorf("without a ledger: %d", code)
	}
}
