package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"
	"golang.org/x/net/html"

	"benchvigil/internal/bench"
)

// desk takes what people do about alerts.
type desk struct {
	acts   []bench.AlertAct
	tested []string
	refuse error
}

func (d *desk) act(a bench.AlertAct) error {
	d.acts = append(d.acts, a)
	return d.refuse
}

// alerting is a bench of canned boards with canned alerts.
func alerting(t *testing.T, d *desk) Options {
	t.Helper()
	o := marking(t, &marked{})
	o.Logger = zap.NewNop()
	o.Alerts, o.Act, o.Outlets = cannedAlerts, d.act, cannedOutlets
	o.Load = func(context.Context, time.Time, time.Time) (Load, error) { return cannedLoad(), d.refuse }
	o.TestAlert = func(_ context.Context, outlet, by string) ([]bench.OutletView, error) {
		d.tested = append(d.tested, outlet+" by "+by)
		return nil, d.refuse
	}
	return o
}

// The list has what waits first, by weight; every alert has its title, a sign,
// since when, and its state in words.
func TestAlertsByUrgency(t *testing.T) {
	for _, path := range []string{"/m", "/alerts"} {
		root := page(t, alerting(t, &desk{}), path)
		var states []string
		for _, li := range all(one(t, root, "section", "roll"), "li", "alarm") {
			state := text(one(t, li, "p", "alarm-state"))
			states = append(states, state)
			if len(all(li, "use", "")) != 1 || text(one(t, li, "p", "alarm-head")) == "" {
				t.Errorf("%s: no sign or no title in %q", path, text(li))
			}
		}
		want := []string{
			"danger since 02:58:04 not acknowledged",
			"caution since 02:57:32 not acknowledged",
			"caution since 02:56:12 not acknowledged",
			"danger since 02:55:12 over since 02:56:42, not acknowledged",
			"notice since 02:50:12 over since 02:54:12, not acknowledged",
			"danger since 02:33:12 kim sees to it",
			"caution since 02:57:08 shelved until 03:10:12, by lee",
			"caution since 02:56:12 held back: hands on until 03:05:00",
		}
		if path == "/alerts" {
			want = append(want, "out of service since 1 Mar 00:58:12, by kim Wren 7: 1.52 A, above 1.50 A")
		}
		if d := cmp.Diff(want, states); d != "" {
			t.Errorf("%s: %s", path, d)
		}
	}
}

// The wall has each alert on the tile of its station, and on those that the same
// cause took along; those of no station stand above, and none twice.
func TestAlertsOnTheWall(t *testing.T) {
	root := front(t, alerting(t, &desk{}))
	strip := one(t, root, "section", "strip")
	if got := text(one(t, strip, "p", "waiting")); got != "5 alerts are not acknowledged" {
		t.Errorf("%q", got)
	}
	if got := all(strip, "li", "alarm"); len(got) != 1 || !strings.Contains(text(got[0]), "USB hub 1-3") {
		t.Errorf("%d alerts above the tiles", len(got))
	}
	for _, a := range all(root, "article", "tile") {
		station := strings.TrimPrefix(attribute(a, "id"), "station-")
		want := map[string]string{
			"s-2": "Finch 3, bent went down", "s-4": "Martin 12", "s-5": "Right, battery rig", "s-6": "Wren 9", "s-7": "Robin 2",
			"s-10": "Heron 4", "s-12": "USB hub", "s-13": "USB hub", "s-22": "Plover 4",
		}[station]
		alarms := all(a, "li", "alarm")
		if want == "" && len(alarms) > 0 || want != "" && (len(alarms) != 1 || !strings.Contains(text(alarms[0]), want)) {
			t.Errorf("%s has %d alerts, want %q", station, len(alarms), want)
		}
	}
	calm := alerting(t, &desk{})
	calm.Alerts = func() []bench.AlertView { return nil }
	if s := one(t, front(t, calm), "section", "strip"); !slices.ContainsFunc(s.Attr, func(a html.Attribute) bool { return a.Key == "hidden" }) {
		t.Error("a strip without alerts takes room")
	}
}

// What must be known to act stands on the page of all alerts.
func TestAlertsPage(t *testing.T) {
	root := page(t, alerting(t, &desk{}), "/alerts")
	read := text(root)
	for _, want := range []string{
		"Why", "0.00 mA for 0.2 s, 412 mA just before", "Do Look at the connector, then start it again.", "Current 0.00 mA now, 412 mA just before",
		"Out of service", "s-1.draw.high-idle", "Put back",
		"Nothing is delivered since 02:49:12: dial tcp: lookup mail.example: no such host.", "12 delivered, 3 waiting, 9 tries failed, 1 given up", "Delivered last at 02:58:05.", "Nothing was sent so far.",
		"61 rang", "most in ten minutes14≤ 10ISA-18.2NOT KEPT", "s-5.supply-lost 31 times, 51 % of all", "a hold of 10s",
	} {
		if !strings.Contains(read, want) {
			t.Errorf("%q cannot be read in: %s", want, read)
		}
	}
	if strings.Contains(read, "over and seen to") {
		t.Error("what is normal is shown")
	}
	if got := text(page(t, alerting(t, &desk{refuse: errors.New("the ledger is busy")}), "/alerts")); !strings.Contains(got, "Not known now: The ledger is busy.") {
		t.Errorf("the measures are missing without a word: %s", got)
	}
}

// A link only shows: the alert that it leads to comes first, and nothing is done.
func TestLinksDoNothing(t *testing.T) {
	d := &desk{}
	o := alerting(t, d)
	key := cannedAlerts()[0].Key
	for _, path := range []string{"/alerts", "/m"} {
		for _, ack := range []string{key, "s-4.stalled"} {
			root := page(t, o, path+"?ack="+url.QueryEscape(ack))
			first := all(one(t, root, "section", "roll"), "li", "alarm")[0]
			if !hasClass(first, "chosen") || !strings.Contains(text(first), "Martin 12") {
				t.Errorf("%s: first comes %q", path, text(first))
			}
			if got, want := attribute(one(t, root, "html", ""), "data-live"), "ack="+url.QueryEscape(ack); !strings.HasSuffix(got, want) {
				t.Errorf("%s: the stream %q forgets what was chosen", path, got)
			}
		}
		if got := text(page(t, o, path+"?ack=s-4.stalled.1")); !strings.Contains(got, "is over: nothing is left to do") {
			t.Errorf("%s: a link to what is over says nothing: %s", path, got)
		}
		if got := text(page(t, o, path+"?ack="+strings.Repeat("x", 1000))); strings.Contains(got, "xxx") {
			t.Errorf("%s: a key without bounds", path)
		}
	}
	if len(d.acts) > 0 || len(d.tested) > 0 {
		t.Errorf("did %v, tested %v", d.acts, d.tested)
	}
}

// Every form works without script: each button does what it says and goes back to
// its page.
func TestActsWithoutScript(t *testing.T) {
	for _, path := range []string{"/", "/m", "/m/s-2", "/alerts"} {
		d := &desk{}
		o := alerting(t, d)
		for _, f := range all(page(t, o, path), "form", "acts") {
			for _, b := range all(f, "button", "") {
				form := url.Values{attribute(b, "name"): {attribute(b, "value")}, "by": {"kim"}}
				for _, in := range all(f, "input", "") {
					form.Set(attribute(in, "name"), attribute(in, "value"))
				}
				form.Set("by", "kim")
				d.acts = nil
				r := send(t, o, attribute(f, "action"), form.Encode())
				deed, minutes, _ := strings.Cut(attribute(b, "value"), " ")
				if got := r.Header.Get("Location"); r.StatusCode != http.StatusSeeOther || got != path+"?done="+deed {
					t.Errorf("%s %q: %s to %q", path, text(b), r.Status, got)
				}
				if len(d.acts) != 1 || string(d.acts[0].Do) != deed || d.acts[0].By != "kim" || d.acts[0].Key == "" {
					t.Fatalf("%s %q did %+v", path, text(b), d.acts)
				}
				if want, _ := time.ParseDuration(minutes + "m"); d.acts[0].For != want {
					t.Errorf("%s %q: for %v, want %v", path, text(b), d.acts[0].For, want)
				}
			}
		}
		if got := text(page(t, o, path+"?done=acknowledge")); !strings.Contains(got, "Acknowledged: you see to it.") {
			t.Errorf("%s does not confirm: %s", path, got)
		}
	}
}

func TestRefusedActs(t *testing.T) {
	for _, tc := range []struct {
		name, path, form string
		refuse           error
		header           []string
		code             int
		want             string
	}{
		{"nothing to do", "/alerts/s-2.dropped", "do=dance", nil, nil, 422, `"dance" is nothing that can be done`},
		{"no form", "/alerts/s-2.dropped", "%zz", nil, nil, 422, "cannot be read"},
		{"refused", "/alerts/s-2.dropped", "do=acknowledge", errors.New("it is over"), nil, 409, "It is over."},
		{"test refused", "/alerts/test", "outlet=mail", errors.New("one a minute"), nil, 409, "One a minute."},
		{"a name of two lines", "/alerts/test", "by=a%0Ab", nil, nil, 422, "printable"},
		{"another site", "/alerts/s-2.dropped", "do=acknowledge", nil, []string{"Sec-Fetch-Site", "cross-site"}, 403, ""},
		{"a test by another site", "/alerts/test", "", nil, []string{"Sec-Fetch-Site", "cross-site"}, 403, ""},
		{"another origin", "/alerts/s-2.dropped", "do=acknowledge", nil, []string{"Origin", "https://elsewhere.example"}, 403, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d := &desk{refuse: tc.refuse}
			r := send(t, alerting(t, d), tc.path, tc.form, tc.header...)
			if got := body(t, r); r.StatusCode != tc.code || !strings.Contains(text(parse(t, got)), tc.want) {
				t.Errorf("%s %s", r.Status, got)
			}
			if tc.refuse == nil && len(d.acts)+len(d.tested) > 0 {
				t.Errorf("did %v, tested %v", d.acts, d.tested)
			}
		})
	}
	// A form that names a page of another site goes back to ours.
	d := &desk{}
	r := send(t, alerting(t, d), "/alerts/s-2.dropped", "do=acknowledge&back=//elsewhere.example")
	if got := r.Header.Get("Location"); got != "/alerts?done=acknowledge" {
		t.Errorf("goes to %q", got)
	}
}

func TestTestsWithoutScript(t *testing.T) {
	d := &desk{}
	o := alerting(t, d)
	for _, f := range all(one(t, page(t, o, "/alerts"), "section", "outlets"), "form", "") {
		form := url.Values{"by": {"kim"}}
		for _, in := range all(f, "input", "") {
			form.Set(attribute(in, "name"), attribute(in, "value"))
		}
		if r := send(t, o, attribute(f, "action"), form.Encode()); r.Header.Get("Location") != "/alerts?done=test#outlets" {
			t.Errorf("%s to %q", r.Status, r.Header.Get("Location"))
		}
	}
	if d := cmp.Diff([]string{"mail by kim", "phones by kim", "hook by kim", " by kim"}, d.tested); d != "" {
		t.Error(d)
	}
}

// Where no alerts are kept, the pages say nothing of them.
func TestPagesWithoutAlerts(t *testing.T) {
	o := marking(t, &marked{})
	for _, path := range []string{"/", "/m", "/m/s-2"} {
		root := page(t, o, path)
		if n := len(all(root, "", "alarm")) + len(all(root, "section", "roll")) + len(all(root, "section", "strip")); n > 0 {
			t.Errorf("%s has %d elements of alerts", path, n)
		}
	}
	s := newSite(t, o)
	if r := ask(t, s, http.MethodGet, "/alerts"); r.StatusCode != http.StatusNotFound {
		t.Errorf("/alerts answers %s", r.Status)
	}
	if r := send(t, o, "/alerts/s-2.dropped", "do=acknowledge"); r.StatusCode < 400 {
		t.Errorf("an act is answered %s", r.Status)
	}
}

// The streams carry a change of an alert to every kind of page.
func TestAlertsLive(t *testing.T) {
	state := bench.AlertUnacknowledged
	o := alerting(t, &desk{})
	o.Alerts = func() []bench.AlertView {
		all := cannedAlerts()
		all[1].State, all[1].By = state, "kim"
		return all
	}
	s := newSite(t, o)
	for _, v := range []view{{}, {list: true}, {station: "s-2"}, {alerts: true}, {alerts: true, ack: "s-2.dropped"}} {
		state = bench.AlertUnacknowledged
		sent, l := shown{}, s.look()
		s.changes(&l, v, sent)
		state = bench.AlertAcknowledged
		l = s.look()
		got := string(s.changes(&l, v, sent))
		if !strings.Contains(got, "kim sees to it") {
			t.Errorf("%+v: the change is not sent: %s", v, got)
		}
		if v.ack != "" && !strings.Contains(got, "chosen") {
			t.Errorf("%+v: what was chosen is forgotten", v)
		}
		if l = s.look(); len(s.changes(&l, v, sent)) > 0 {
			t.Errorf("%+v: something is sent though nothing changed", v)
		}
	}
	if got := viewOf(url.Values{"alerts": {""}, "ack": {strings.Repeat("x", 1000)}}); got.ack != "" {
		t.Error("a key without bounds makes views")
	}
}
