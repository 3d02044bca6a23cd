package app

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/access"
	"benchvigil/internal/api"
	"benchvigil/internal/bench"
	"benchvigil/internal/chart"
	"benchvigil/internal/ledger"
)

// list is a page of any list.
type list struct {
	Items []json.RawMessage
	Next  string
}

// whole follows the links of a list to its end.
func whole(t *testing.T, h http.Handler, path string) (all []string, pages int) {
	t.Helper()
	for path != "" {
		w := httptest.NewRecorder()
		who := access.With(t.Context(), access.Who{Role: access.Work, Local: true})
		h.ServeHTTP(w, httptest.NewRequestWithContext(who, http.MethodGet, path, http.NoBody))
		var p list
		if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil || w.Code != http.StatusOK {
			t.Fatalf("%s: %d %v %s", path, w.Code, err, w.Body)
		}
		again := httptest.NewRequestWithContext(who, http.MethodGet, path, http.NoBody)
		again.Header.Set("If-None-Match", w.Header().Get("ETag"))
		same := httptest.NewRecorder()
		if h.ServeHTTP(same, again); same.Code != http.StatusNotModified {
			t.Errorf("%s again: %d", path, same.Code)
		}
		for _, item := range p.Items {
			all = append(all, string(item))
		}
		link, linked := strings.CutPrefix(w.Header().Get("Link"), "<")
		link, rel, _ := strings.Cut(link, ">")
		if linked != (p.Next != "") || linked && rel != `; rel="next"` {
			t.Fatalf("next %q, Link %q", p.Next, w.Header().Get("Link"))
		}
		path = link
		pages++
	}
	return all, pages
}

// Whatever the size of a page, the pages join to exactly the whole list.
func TestPagesJoinToTheWhole(t *testing.T) {
	p := newPast(t, time.Second, time.Second, func(int) int64 { return 0 })
	for i := range 23 {
		at := pastStart.Add(time.Duration(i) * time.Minute)
		err := errors.Join(
			p.l.Append(t.Context(), []bench.Event{{Station: "s1", Type: bench.RunStarted, Time: at, Concluded: at, Count: uint64(2*i + 1)}}),
			p.l.Append(t.Context(), []bench.Event{{Station: "s1", Type: bench.WatchArmed, Time: at, Concluded: at, Count: uint64(2*i + 2), Data: bench.EventData{Goal: "stay"}}}),
			p.l.Note(t.Context(), ledger.Deed{At: at, Who: "kim", From: "192.0.2.1", Did: "looked", Outcome: "done"}),
		)
		if err != nil {
			t.Fatal(err)
		}
	}
	h := api.New(api.Options{Snapshots: func() []bench.Snapshot { return nil }, Past: p.archive, Logger: zap.NewNop()})
	for path, n := range map[string]int{"events": 46, "events?type=benchvigil.run": 23, "audit": 23, "audit?who=kim": 23, "runs": 23, "watches": 23} {
		sep := "?"
		if strings.Contains(path, "?") {
			sep = "&"
		}
		want, pages := whole(t, h, "/api/v1/"+path+sep+"limit=500")
		if pages != 1 || len(want) != n {
			t.Fatalf("%s: %d on %d pages, want %d", path, len(want), pages, n)
		}
		for _, limit := range []string{"1", "5", "23", "24"} {
			got, _ := whole(t, h, "/api/v1/"+path+sep+"limit="+limit)
			if !slices.Equal(got, want) {
				t.Errorf("%s by %s: %d, or in another order; want %d", path, limit, len(got), n)
			}
		}
	}
}

// FuzzCursor: whatever stands in a cursor, the answer is a page or says what is
// wrong with it, and never an error of the store.
func FuzzCursor(f *testing.F) {
	for _, seed := range []string{"1", "zz", "0", "-1", "+1", "1e5", "9223372036854775807", "1y2p0ij32e8e7", "1y2p0ij32e8e8", "a' OR 1=1", "\x00", "Z"} {
		f.Add(seed)
	}
	p := newPast(f, time.Second, time.Second, func(int) int64 { return 0 })
	h := api.New(api.Options{Snapshots: func() []bench.Snapshot { return nil }, Past: p.archive, Logger: zap.NewNop()})
	f.Fuzz(func(t *testing.T, cursor string) {
		if seq, err := chart.ParseCursor(cursor); err == nil && chart.Cursor(seq) != cursor {
			t.Errorf("%q is %d, which is %q", cursor, seq, chart.Cursor(seq))
		}
		for _, name := range []string{"events", "audit", "runs", "watches"} {
			w := httptest.NewRecorder()
			who := access.With(t.Context(), access.Who{Role: access.Work, Local: true})
			h.ServeHTTP(w, httptest.NewRequestWithContext(who, http.MethodGet, "/api/v1/"+name+"?cursor="+url.QueryEscape(cursor), http.NoBody))
			if w.Code != http.StatusOK && (w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "cursor")) {
				t.Errorf("%s with %q: %d %s", name, cursor, w.Code, w.Body)
			}
		}
	})
}
