package web

import (
	"context"
	"errors"
	"fmt"
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
// since when, and its state in words. The phone's has what is over and what was
// news last.
func TestAlertsByUrgency(t *testing.T) {
	waiting := []string{
		"danger since 02:58:04 not acknowledged",
		"caution since 02:57:32 not acknowledged",
		"caution since 02:56:12 not acknowledged",
		"caution since 02:54:12 not acknowledged",
	}
	over := []string{
		"danger since 02:55:12 over since 02:56:42, not acknowledged",
		"notice since 02:50:12 not acknowledged",
		"notice since 02:38:12 not acknowledged",
	}
	quiet := []string{
		"danger since 02:33:12 kim sees to it",
		"caution since 02:57:08 shelved until 03:10:12, by lee",
		"caution since 02:56:12 held back: hands on until 03:05:00",
	}
	off := []string{"out of service since 1 Mar 00:58:12, by kim Wren 7: draw high-idle 1 Mar 00:58:12"}
	for path, want := range map[string][]string{
		"/m":      slices.Concat(waiting, quiet, over),
		"/alerts": slices.Concat(waiting, over, quiet, off),
	} {
		root := page(t, alerting(t, &desk{}), path)
		var states []string
		for _, li := range all(one(t, root, "section", "roll"), "li", "alarm") {
			state := text(one(t, li, "p", "alarm-state"))
			states = append(states, state)
			if len(all(li, "use", "")) != 1 || text(one(t, li, "p", "alarm-head")) == "" {
				t.Errorf("%s: no sign or no title in %q", path, text(li))
			}
		}
		if d := cmp.Diff(want, states); d != "" {
			t.Errorf("%s: %s", path, d)
		}
	}
}

// On the phone's list what is over or was news at a station is folded, so that the
// stations are near; what concerns the bench, or what a link led to, is not.
func TestFolded(t *testing.T) {
	o := alerting(t, &desk{})
	folded := one(t, page(t, o, "/m"), "details", "over")
	if got := text(one(t, folded, "summary", "")); got != "1 is over, 2 are news" || attribute(folded, "id") == "" {
		t.Errorf("folded behind %q, as %q", got, attribute(folded, "id"))
	}
	if n := len(all(folded, "li", "alarm")); n != 3 {
		t.Errorf("%d alerts are folded", n)
	}
	root := page(t, o, "/m?ack=s-7.dropped")
	if got := text(one(t, root, "summary", "")); got != "2 are news" {
		t.Errorf("with one chosen, folded behind %q", got)
	}
	o.Alerts = func() []bench.AlertView {
		p := bench.AlertPoint{Kind: bench.AlertHubLost}
		return []bench.AlertView{alert1(p, bench.Danger, bench.AlertReturned, time.Minute, "Bench: hub 1-3 lost")}
	}
	if root := page(t, o, "/m"); len(all(root, "details", "")) != 0 || len(all(root, "li", "alarm")) != 1 {
		t.Error("an alert of the bench is folded, or there is a fold of nothing")
	}
	for want, n := range map[string][2]int{"": {}, "1 is over": {1, 0}, "5 are over": {5, 0}, "1 is news": {0, 1}, "3 are over, 1 is news": {3, 1}} {
		if got := foldedWords(n[0], n[1]); got != want {
			t.Errorf("%v: %q, want %q", n, got, want)
		}
	}
}

// A tile of the wall has at most one alert of its station, the weightiest that
// stands and nobody sees to, in short words; it counts the others. What concerns
// the bench stands above, and nowhere else.
func TestAlertsOnTheWall(t *testing.T) {
	root := front(t, alerting(t, &desk{}))
	strip := one(t, root, "section", "strip")
	if got := text(one(t, strip, "p", "waiting")); got != "7 alerts are not acknowledged" {
		t.Errorf("%q", got)
	}
	if got := all(strip, "li", "call"); len(got) != 1 || !strings.Contains(text(got[0]), "Bench: hub 1-3 lost 2 stations 02:57:32 not acknowledged") {
		t.Errorf("%d alerts above the tiles", len(got))
	}
	calls := map[string]string{"s-2": "danger: Dropped (died)", "s-10": "caution: Start hangs"}
	rests := map[string]string{
		"s-2": "2 more not acknowledged", "s-4": "1 seen to", "s-5": "1 shelved", "s-6": "1 not acknowledged", "s-7": "1 not acknowledged", "s-22": "1 held back",
	}
	for _, a := range all(root, "article", "tile") {
		station, got, rest := strings.TrimPrefix(attribute(a, "id"), "station-"), "", ""
		for _, c := range all(a, "div", "call") {
			got += text(one(t, c, "p", ""))
			if len(all(c, "use", "")) != 1 || len(all(c, "button", "")) != 1 {
				t.Errorf("%s: a call has no sign, or not one button", station)
			}
		}
		for _, r := range all(a, "p", "rest") {
			rest += text(r)
			if got := attribute(one(t, r, "a", ""), "href"); got != "/m/"+station {
				t.Errorf("%s: the count leads to %s", station, got)
			}
		}
		if got != calls[station] || rest != rests[station] {
			t.Errorf("%s says %q and %q, want %q and %q", station, got, rest, calls[station], rests[station])
		}
	}
	calm := alerting(t, &desk{})
	calm.Alerts = func() []bench.AlertView { return nil }
	root = front(t, calm)
	if s := one(t, root, "section", "strip"); !slices.ContainsFunc(s.Attr, func(a html.Attribute) bool { return a.Key == "hidden" }) {
		t.Error("a strip without alerts takes room")
	}
	if got, want := len(all(root, "div", "calls")), len(all(root, "article", "tile")); got != want {
		t.Errorf("%d of %d tiles keep room for an alert: the others move when one comes", got, want)
	}
}

// What is read from afar comes before everything that comes and goes, but the line
// for an alert, whose room is always there.
func TestPlacesOnTheWall(t *testing.T) {
	for _, a := range all(front(t, alerting(t, &desk{})), "article", "tile") {
		var order []string
		for n := range a.ChildNodes() {
			if n.Type == html.ElementNode {
				order = append(order, strings.Fields(attribute(n, "class") + " " + n.Data)[0])
			}
		}
		if want := []string{"header", "calls", "mode", "run", "power"}; len(order) < len(want) || !slices.Equal(order[:len(want)], want) {
			t.Errorf("%s has %v", attribute(a, "id"), order)
		}
	}
}

// Two rows of the bench at most, those that stand first; the others are counted.
func TestStripIsShort(t *testing.T) {
	o := alerting(t, &desk{})
	o.Alerts = func() []bench.AlertView {
		of := func(k bench.AlertKind, s bench.Severity, state bench.AlertState) bench.AlertView {
			return alert1(bench.AlertPoint{Kind: k}, s, state, time.Minute, "Bench: "+string(k))
		}
		return []bench.AlertView{
			of(bench.AlertPowerLost, bench.Danger, bench.AlertReturned), of(bench.AlertOutlet, bench.Caution, bench.AlertAcknowledged),
			of(bench.AlertLedger, bench.Caution, bench.AlertUnacknowledged), of(bench.AlertHubLost, bench.Danger, bench.AlertUnacknowledged),
		}
	}
	strip := one(t, front(t, o), "section", "strip")
	var rows []string
	for _, li := range all(strip, "li", "") {
		rows = append(rows, text(one(t, li, "b", "")))
	}
	if d := cmp.Diff([]string{"Bench: hub-lost", "Bench: ledger"}, rows); d != "" {
		t.Error(d)
	}
	if got := text(one(t, strip, "p", "waiting")); got != "3 alerts are not acknowledged 2 more of the bench" {
		t.Errorf("%q", got)
	}
}

func TestBrief(t *testing.T) {
	for title, want := range map[string]string{
		"Heron 2, second board: stalled 23:58:00":    "Stalled",
		"Heron 2, case 2417: 5 drops since 00:12:03": "5 drops",
		"Left: port 3: no readings 23:58:00":         "No readings",
		"something else":                             "Something else",
		" 23:58:00":                                  " 23:58:00",
	} {
		if got := brief(&bench.AlertView{Alert: bench.Alert{Station: "s-1", Title: title}}); got != want {
			t.Errorf("%q: %q, want %q", title, got, want)
		}
	}
	if got := brief(&bench.AlertView{Alert: bench.Alert{Title: "Bench: hub 1-3 lost 23:58:00"}}); got != "Bench: hub 1-3 lost" {
		t.Errorf("of the bench: %q", got)
	}
}

// The key that acknowledges presses the one alert that a tile shows, and on the
// page of a station the first that stands, never one that is over. The help names it
// where there are alerts.
func TestAcknowledgeByKey(t *testing.T) {
	o := alerting(t, &desk{})
	for path, want := range map[string]int{"/": 2, "/m/s-2": 1} {
		root := page(t, o, path)
		var actions []string
		for _, f := range all(root, "form", "acts") {
			for _, b := range all(f, "button", "") {
				if attribute(b, "data-key") == "a" && attribute(b, "value") == "acknowledge" {
					actions = append(actions, attribute(f, "action"))
				}
			}
		}
		if len(actions) != want || !strings.HasPrefix(actions[0], "/alerts/s-2.dropped.") {
			t.Errorf("%s: A presses %v", path, actions)
		}
	}
	for alerts, o := range map[bool]Options{true: o, false: marking(t, &marked{})} {
		help := text(one(t, page(t, o, "/"), "dl", "keys"))
		if got := strings.Contains(help, "acknowledge the alert"); got != alerts {
			t.Errorf("alerts %v, and the help says %q", alerts, help)
		}
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
				if len(d.acts) != 1 {
					t.Fatalf("%s %q did %+v", path, text(b), d.acts)
				}
				if got := r.Header.Get("Location"); r.StatusCode != http.StatusSeeOther || got != done(path, deed, d.acts[0].Key) {
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
		{"refused", "/alerts/s-2.dropped", "do=acknowledge", fmt.Errorf("%w: it is over", bench.ErrRefusedAct), nil, 409, "Refused: it is over."},
		{"about nothing", "/alerts/s-2.dropped", "do=acknowledge", fmt.Errorf("%w: s-2.dropped", bench.ErrUnknownAlert), nil, 404, "No such alert: s-2.dropped."},
		{"a mistake", "/alerts/s-2.dropped", "do=acknowledge", errors.New("for 13h: want up to 12h"), nil, 422, "For 13h: want up to 12h."},
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
		if n := len(all(root, "li", "alarm")) + len(all(root, "div", "calls")) + len(all(root, "section", "roll")) + len(all(root, "section", "strip")); n > 0 {
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
		want := "kim sees to it"
		if v == (view{}) {
			want = ">1 more not acknowledged, 1 seen to<"
		}
		if !strings.Contains(got, want) {
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
