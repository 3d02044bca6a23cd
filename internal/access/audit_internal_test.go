package access

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"testing"

	"benchvigil/internal/bench"
)

// Everything that may be done about an alert has its words, and no key is lost.
func TestEveryDeedHasWords(t *testing.T) {
	for _, deed := range bench.AlertDeeds() {
		if deeds[deed] == "" {
			t.Errorf("%s has no words", deed)
		}
	}
	if len(deeds) != len(bench.AlertDeeds()) {
		t.Error("there are words of what nobody can do")
	}
}

func TestWordsOfPaths(t *testing.T) {
	for _, c := range []struct{ path, form, did, on string }{
		{"/alerts/s1.dropped", "do=shelve+30", "shelved", "s1.dropped"},
		{"/alerts/test", "", "tested", "all outlets"},
		{"/alerts/test", "outlet=mail", "tested", "mail"},
		{"/stations/s1/marks", "mark=note+secret", "marked note", "s1"},
		{"/api/v1/stations/s1/marks", "", "marked", "s1"},
		{"/api/v1/alerts/s1.dropped", "", "acted on the alert", "s1.dropped"},
		{"/push/unsubscribe", "", "unsubscribed a phone", ""},
		{"/what/comes/later", "", "asked for POST", "/what/comes/later"},
	} {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, c.path, nil)
		r.PostForm, _ = url.ParseQuery(c.form)
		if did, on := words(r); did != c.did || on != c.on {
			t.Errorf("%s %s: %q %q, want %q %q", c.path, c.form, did, on, c.did, c.on)
		}
	}
}
