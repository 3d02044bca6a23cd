package web

import (
	"net/http"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"benchvigil/internal/access"
)

// asWho lets all requests be made by one.
func asWho(o Options, w access.Who) Options {
	o.Access = func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
			next.ServeHTTP(rw, r.WithContext(access.With(r.Context(), w)))
		})
	}
	return o
}

// presses are the forms that change something at the bench, and what asks for a
// mark.
func presses(root *html.Node) (out []string) {
	for n := range root.Descendants() {
		if attribute(n, "method") == "post" && !hasClass(n, "theme") && !hasClass(n, "logout") || n.Data == "dialog" || attribute(n, "data-open") != "" {
			out = append(out, n.Data+" "+attribute(n, "id")+attribute(n, "action"))
		}
	}
	return out
}

// Who may only view has nothing to press on any page, nor in what its live view
// brings; the same pages have it for others.
func TestViewersPressNothing(t *testing.T) {
	o := alerting(t, &desk{})
	viewer := asWho(o, access.Who{Name: "wall link", Role: access.View})
	for _, path := range []string{"/", "/m", "/m/s-1", "/station/s-1", "/alerts"} {
		if got := presses(page(t, viewer, path)); len(got) > 0 {
			t.Errorf("%s offers %q", path, got)
		}
		if len(presses(page(t, o, path))) == 0 {
			t.Errorf("%s has nothing to press for anybody: this test would notice nothing", path)
		}
	}
	s := newSite(t, o)
	for _, v := range []view{{}, {desk: "s-1"}, {list: true}, {alerts: true}} {
		if !strings.Contains(string(s.hello(v)), `method="post"`) {
			t.Errorf("%+v has nothing to press for anybody", v)
		}
		if v.viewer = true; strings.Contains(string(s.hello(v)), `method="post"`) {
			t.Errorf("%+v brings something to press", v)
		}
	}
}

// Acts of who may only view are refused, and nothing is done.
func TestViewersAreRefused(t *testing.T) {
	a, m := &desk{}, &marked{}
	o := alerting(t, a)
	o.Mark = m.mark
	o = asWho(o, access.Who{Role: access.View})
	for path, form := range map[string]string{
		"/alerts/k": "do=acknowledge", "/alerts/test": "", "/m/s-1/marks": "mark=warm", "/stations/s-1/marks": "mark=warm",
	} {
		if r := send(t, o, path, form); r.StatusCode != http.StatusForbidden {
			t.Errorf("%s answers %s", path, r.Status)
		}
	}
	if len(a.acts)+len(m.all) > 0 {
		t.Errorf("done all the same: %v, %v", a.acts, m.all)
	}
}

// Whoever the bench knows signs, whatever the form says, and is not asked.
func TestKnownNamesSign(t *testing.T) {
	a, m := &desk{}, &marked{}
	o := alerting(t, a)
	o.Mark = m.mark
	o = asWho(o, access.Who{Name: "kim", Role: access.Work})
	send(t, o, "/m/s-1/marks", "mark=warm&by=somebody+else")
	send(t, o, "/alerts/k", "do=acknowledge&by=somebody+else")
	if len(m.all) != 1 || m.all[0].By != "kim" {
		t.Errorf("marks %+v", m.all)
	}
	if len(a.acts) != 1 || a.acts[0].By != "kim" {
		t.Errorf("acts %+v", a.acts)
	}
	for _, path := range []string{"/", "/m", "/m/s-1", "/m/s-1/stop", "/m/s-1/note", "/m/s-1/goal", "/alerts"} {
		for n := range page(t, o, path).Descendants() {
			if attribute(n, "name") == "by" {
				t.Errorf("%s asks for a name", path)
			}
		}
	}
}
