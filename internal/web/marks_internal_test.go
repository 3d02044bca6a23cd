package web

import (
	stdcmp "cmp"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"
	"golang.org/x/net/html"

	"benchvigil/internal/bench"
)

// marked takes the marks of a site.
type marked struct {
	busy bool
	got  []string // stations
	all  []bench.Mark
}

func (m *marked) mark(station string, one bench.Mark) bool {
	if m.busy {
		return false
	}
	m.got, m.all = append(m.got, station), append(m.all, one)
	return true
}

// marking are the options of a bench in all states that takes marks.
func marking(t *testing.T, m *marked) Options {
	t.Helper()
	o := options(t, someStations(len(allStates()))...)
	o.Mark, o.Logger = m.mark, zap.NewNop()
	return o
}

var everyPage = []string{
	"/", "/m", "/m/s-1", "/m/s-1/stop", "/m/s-1/screen", "/m/s-1/note", "/m/s-1/goal",
	"/m/" + stationOf("goal armed") + "/goal", "/m/" + stationOf("goal missed") + "/goal",
}

// stationOf is the station that shows a canned state.
func stationOf(what string) string {
	return fmt.Sprintf("s-%d", 1+slices.IndexFunc(allStates(), func(c canned) bool { return c.what == what }))
}

func page(t *testing.T, o Options, path string) *html.Node {
	t.Helper()
	r := ask(t, newSite(t, o), http.MethodGet, path)
	if r.StatusCode != http.StatusOK {
		t.Fatalf("%s answers %s", path, r.Status)
	}
	return parse(t, body(t, r))
}

// send posts a form as a browser without script does.
func send(t *testing.T, o Options, path, form string, header ...string) *http.Response {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "http://localhost:8420"+path, strings.NewReader(form))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	newSite(t, o).Handler().ServeHTTP(w, r)
	return w.Result()
}

func TestMarksOf(t *testing.T) {
	dropped := func(ago time.Duration) func(*bench.Snapshot) {
		return droppedBefore(ago, time.Minute, bench.Died)
	}
	for _, tc := range []struct {
		name string
		by   []func(*bench.Snapshot)
		want Marks
	}{
		{"up", nil, Marks{Stop: true}},
		{"no run", []func(*bench.Snapshot){noRun}, Marks{}},
		{"hands on", []func(*bench.Snapshot){func(s *bench.Snapshot) { s.HandsOn = night.Add(time.Minute) }}, Marks{Stop: true, Hands: true}},
		{"armed", []func(*bench.Snapshot){func(s *bench.Snapshot) {
			s.Watch, s.LastWatch = &bench.WatchView{Goal: bench.Goal{Kind: bench.GoalCopy}}, &bench.WatchView{}
		}}, Marks{Stop: true, Goal: "copy", Ended: true}},
		{"dropped", []func(*bench.Snapshot){noRun, dropped(time.Minute)}, Marks{Mine: true}},
		{"dropped and up again", []func(*bench.Snapshot){dropped(bench.MineWithin)}, Marks{Stop: true, Mine: true}},
		{"dropped long ago", []func(*bench.Snapshot){noRun, dropped(bench.MineWithin + time.Millisecond)}, Marks{}},
		{"stopped by mistake", []func(*bench.Snapshot){noRun, dropped(time.Minute), func(s *bench.Snapshot) {
			s.Waiting, s.LastRun.EndedAs, s.LastRun.Kind = true, bench.RunStopped, bench.StoppedByMark
		}}, Marks{Go: true}},
		{"stopped", []func(*bench.Snapshot){noRun, dropped(time.Minute), func(s *bench.Snapshot) { s.LastRun.EndedAs = bench.RunStopped }}, Marks{}},
	} {
		s := changed(running(), tc.by...)
		if got := *marksOf(&s); got != tc.want {
			t.Errorf("%s: %+v, want %+v", tc.name, got, tc.want)
		}
	}
}

// Every state has the buttons that mean something in it, each with its key.
func TestButtons(t *testing.T) {
	states := allStates()
	tiles := all(page(t, marking(t, &marked{}), "/"), "article", "tile")
	for i, c := range states {
		want := []string{"s", "h", "c", "g", "w", "n"}
		m := marksOf(&c.s)
		if !m.Stop {
			want = slices.Insert(want, 4, "r")
		}
		switch {
		case m.Mine && m.Stop:
			want = append([]string{"m"}, want...)
		case m.Mine:
			want[0] = "m"
		case m.Go:
			want[0] = "u"
		}
		var got []string
		for n := range one(t, tiles[i], "form", "marks").Descendants() {
			if key := attribute(n, "data-key"); key != "" {
				got = append(got, key)
				if kbd := text(one(t, n, "kbd", "")); kbd != strings.ToUpper(key) {
					t.Errorf("%s: the button for %q shows the key %q", c.what, key, kbd)
				}
			}
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.what, diff)
		}
		kind := attribute(one(t, one(t, tiles[i], "form", "marks"), "button", "hands"), "value")
		if want := map[bool]string{true: bench.MarkHandsOff, false: bench.MarkHandsOn}[m.Hands]; kind != want {
			t.Errorf("%s: the button marks %q, want %q", c.what, kind, want)
		}
	}
}

// What a bench takes no marks for has no buttons, dialogs or forms.
func TestNoMarks(t *testing.T) {
	o := options(t, someStations(3)...)
	for _, path := range []string{"/", "/m", "/m/s-1"} {
		root := page(t, o, path)
		n := len(all(root, "form", "")) + len(all(root, "dialog", "")) + len(all(root, "button", ""))
		for _, f := range all(root, "form", "theme") { // changes nothing on the bench
			n -= 1 + len(all(f, "button", ""))
		}
		if n != 0 {
			t.Errorf("%s has %d ways to mark something", path, n)
		}
	}
	if r := ask(t, newSite(t, o), "GET", "/m/s-1/stop"); r.StatusCode != http.StatusNotFound {
		t.Errorf("it asks about a stop: %s", r.Status)
	}
}

// Every button of every page, pressed without script, marks what it says or
// leads to where that is asked. The forms are taken from the pages themselves.
func TestEveryButtonWorksWithoutScript(t *testing.T) {
	pressed := map[string]bool{}
	for _, path := range everyPage {
		for _, form := range all(page(t, marking(t, &marked{}), path), "form", "") {
			if inDialog(form) || hasClass(form, "theme") {
				continue
			}
			for _, button := range all(form, "button", "") {
				m := &marked{}
				values := fields(form)
				values.Set(attribute(button, "name"), attribute(button, "value"))
				r := send(t, marking(t, m), attribute(form, "action"), values.Encode())
				kind, _, _ := strings.Cut(attribute(button, "value"), " ")
				pressed[attribute(button, "value")] = true
				switch at := r.Header.Get("Location"); {
				case r.StatusCode != http.StatusSeeOther:
					t.Errorf("%s: %q answers %s %s", path, attribute(button, "value"), r.Status, body(t, r))
				case kind == bench.MarkStop && path == "/" || kind == bench.MarkStop && path == "/m/s-1":
					if len(m.all) != 0 || !strings.HasSuffix(at, "/stop") {
						t.Errorf("%s: one tap on stop makes %v and leads to %s", path, m.all, at)
					}
				case len(m.all) != 1 || m.all[0].Kind != kind || m.all[0].Check() != nil || !strings.Contains(at, "marked="+kind):
					t.Errorf("%s: %q makes %+v and leads to %s", path, attribute(button, "value"), m.all, at)
				}
			}
		}
	}
	for _, kind := range []string{
		"stop", "mine", "hands-on", "hands-off", "hook-up", "warm", "note", "screen logo", "screen progress bar", "arm stay", "arm reach running within 3h", "arm", "done", "disarm",
	} {
		if !pressed[kind] {
			t.Errorf("no button for %q on any page", kind)
		}
	}
	if n := len(slices.DeleteFunc(slices.Collect(mapKeys(pressed)), func(s string) bool { return !strings.HasPrefix(s, "screen ") })); n != len(bench.Screens()) {
		t.Errorf("%d screens can be marked, want %d", n, len(bench.Screens()))
	}
}

func mapKeys(m map[string]bool) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

func inDialog(n *html.Node) bool {
	for p := range n.Ancestors() {
		if p.Data == "dialog" {
			return true
		}
	}
	return false
}

// fields fills in a form as somebody might.
func fields(form *html.Node) url.Values {
	v := url.Values{}
	for _, in := range all(form, "input", "") {
		example, _, _ := strings.Cut(attribute(in, "placeholder"), ",")
		value := stdcmp.Or(attribute(in, "value"), example, "kim")
		v.Set(attribute(in, "name"), value)
	}
	return v
}

func TestFormBecomesMark(t *testing.T) {
	for _, tc := range []struct {
		form string
		want bench.Mark
		to   string
	}{
		{"mark=warm", bench.Mark{Kind: "warm"}, "/?marked=warm#station-s-1"},
		{"mark=hands-on&by=+kim+", bench.Mark{Kind: "hands-on", By: "kim"}, "/?marked=hands-on#station-s-1"},
		{"mark=arm+stay+3h&text=x", bench.Mark{Kind: "arm", Text: "stay 3h"}, "/?marked=arm#station-s-1"},
		{"mark=arm&text=+copy+within+5h+", bench.Mark{Kind: "arm", Text: "copy within 5h"}, "/?marked=arm#station-s-1"},
		{"mark=screen+lock+screen&text=x", bench.Mark{Kind: "screen", Text: "lock screen"}, "/?marked=screen#station-s-1"},
		{"mark=stop&sure=1&text=to+reseat", bench.Mark{Kind: "stop", Text: "to reseat"}, "/?marked=stop#station-s-1"},
		{"mark=note&text=it+smells&by=ines", bench.Mark{Kind: "note", Text: "it smells", By: "ines"}, "/?marked=note#station-s-1"},
	} {
		m := &marked{}
		r := send(t, marking(t, m), "/stations/s-1/marks", tc.form)
		if r.StatusCode != http.StatusSeeOther || r.Header.Get("Location") != tc.to {
			t.Errorf("%s: %s to %s, want %s", tc.form, r.Status, r.Header.Get("Location"), tc.to)
		}
		if diff := cmp.Diff([]bench.Mark{tc.want}, m.all); diff != "" || m.got[0] != "s-1" {
			t.Errorf("%s: on %v (-want +got):\n%s", tc.form, m.got, diff)
		}
	}
}

// What is refused says so in words, on a page that leads back.
func TestRefusedForms(t *testing.T) {
	for _, tc := range []struct {
		name, path, form string
		busy             bool
		code             int
		want             string
	}{
		{"nobody", "/stations/s-99/marks", "mark=warm", false, 404, `no station "s-99"`},
		{"no mark", "/stations/s-1/marks", "mark=pause", false, 422, `"pause" is no mark`},
		{"nothing", "/stations/s-1/marks", "", false, 422, `"" is no mark`},
		{"no screen", "/m/s-1/marks", "mark=screen+blue", false, 422, `"blue" is no screen`},
		{"no goal", "/m/s-1/marks", "mark=arm&text=", false, 422, "No goal: write stay, stay 3h"},
		{"a goal without its limit", "/m/s-1/marks", "mark=arm&text=reach+running", false, 422, "how long may it take?"},
		{"nothing armed", "/m/s-1/marks", "mark=done", false, 409, "No goal is armed on s-1"},
		{"empty note", "/m/s-1/marks", "mark=note&text=++", false, 422, "A note needs words."},
		{"long note", "/m/s-1/marks", "mark=note&text=" + strings.Repeat("x", 1001), false, 422, "up to 1000 bytes"},
		{"too much", "/m/s-1/marks", "mark=note&text=" + strings.Repeat("x", maxForm), false, 422, "too large"},
		{"not a form", "/m/s-1/marks", "mark=%zz", false, 422, "cannot be read"},
		{"stopped already", "/m/s-15/marks", "mark=stop&sure=1", false, 409, "No run goes on on s-15"},
		{"busy", "/m/s-1/marks", "mark=warm", true, 503, "try again"},
	} {
		m := &marked{busy: tc.busy}
		r := send(t, marking(t, m), tc.path, tc.form)
		root := parse(t, body(t, r))
		if r.StatusCode != tc.code || len(m.all) != 0 || !strings.Contains(text(root), tc.want) {
			t.Errorf("%s: %s, %d marks, %q; want %d with %q", tc.name, r.Status, len(m.all), text(root), tc.code, tc.want)
		}
		if len(all(root, "a", "button")) == 0 {
			t.Errorf("%s: nothing leads back", tc.name)
		}
	}
}

// A page of another site cannot make marks through somebody's browser, by the
// newer headers or the older one.
func TestForeignFormsAreRefused(t *testing.T) {
	for _, header := range [][]string{
		{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate"},
		{"Sec-Fetch-Site", "same-site", "Sec-Fetch-Mode", "navigate"},
		{"Origin", "https://shop.example"},
		{"Origin", "null"},
	} {
		for _, path := range []string{"/stations/s-1/marks", "/m/s-1/marks"} {
			m := &marked{}
			if r := send(t, marking(t, m), path, "mark=warm", header...); r.StatusCode != http.StatusForbidden || len(m.all) != 0 {
				t.Errorf("%s with %q: %s and %d marks", path, header, r.Status, len(m.all))
			}
		}
	}
	m := &marked{}
	if r := send(t, marking(t, m), "/m/s-1/marks", "mark=warm", "Sec-Fetch-Site", "same-origin", "Origin", "http://localhost:8420"); r.StatusCode != http.StatusSeeOther || len(m.all) != 1 {
		t.Errorf("our own page: %s and %d marks", r.Status, len(m.all))
	}
}

// Who gave a name once signs the marks after it.
func TestSignature(t *testing.T) {
	r := send(t, marking(t, &marked{}), "/m/s-1/marks", "mark=warm&by=In%C3%A9s%3B+x")
	cookies := r.Cookies()
	if len(cookies) != 1 || !cookies[0].HttpOnly || cookies[0].SameSite != http.SameSiteStrictMode {
		t.Fatalf("cookies %v", cookies)
	}
	if cookies[0].Secure {
		t.Error("the cookie is for TLS only, which this page is not served by")
	}
	w := httptest.NewRecorder()
	over := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "https://localhost:8420/", nil)
	if remember(w, over, "ines"); !strings.Contains(w.Header().Get("Set-Cookie"), "; Secure") {
		t.Errorf("over TLS: %s", w.Header().Get("Set-Cookie"))
	}
	kept := cookies[0].Name + "=" + cookies[0].Value
	m := &marked{}
	send(t, marking(t, m), "/stations/s-2/marks", "mark=hands-on", "Cookie", kept)
	if len(m.all) != 1 || m.all[0].By != "Inés; x" {
		t.Errorf("signed %+v", m.all)
	}
	root := parse(t, body(t, ask(t, newSite(t, marking(t, m)), "GET", "/m/s-1/note", "Cookie", kept)))
	if got := attribute(all(root, "input", "")[1], "value"); got != "Inés; x" {
		t.Errorf("the form begins with the name %q", got)
	}
	for _, bad := range []string{"by=%zz", "by=" + strings.Repeat("x", 1001)} {
		m := &marked{}
		send(t, marking(t, m), "/stations/s-2/marks", "mark=warm", "Cookie", bad)
		if len(m.all) != 1 || m.all[0].By != "" {
			t.Errorf("%.20s: signed %+v", bad, m.all)
		}
	}
}

// A mark without script is confirmed on the page after it, until that loads
// again; what is no mark is not repeated.
func TestConfirmed(t *testing.T) {
	for path, want := range map[string]string{
		"/?marked=hands-on":          "Marked: hands on.",
		"/m/s-1?marked=screen":       "Marked: screen. Wren 7, water damage",
		"/?marked=%3Cb%3Eall+lost":   "",
		"/m/s-1?marked=call+support": "",
		"/":                          "",
	} {
		root := page(t, marking(t, &marked{}), path)
		answer := one(t, root, "div", "answer")
		if got := text(answer); got != want || attribute(answer, "role") != "status" {
			t.Errorf("%s says %q with role %q, want %q", path, got, attribute(answer, "role"), want)
		}
		bare, _, _ := strings.Cut(path, "?")
		refresh := text(one(t, one(t, root, "head", ""), "noscript", ""))
		if got := strings.Contains(refresh, "5; url="+bare+`"`); got != (want != "") {
			t.Errorf("%s loads again by %q", path, refresh)
		}
	}
}

// The keys that the script knows, that buttons show and that the help explains
// are the same.
func TestKeysAgree(t *testing.T) {
	script, err := os.ReadFile("assets/keys.js")
	if err != nil {
		t.Fatal(err)
	}
	known := regexp.MustCompile(`"([a-z]+)"\.includes\(key\)`).FindSubmatch(script)
	if known == nil {
		t.Fatal("the script knows no keys")
	}
	root := page(t, alerting(t, &desk{}), "/")
	onButtons := map[string]bool{}
	for _, form := range all(root, "form", "") {
		if inDialog(form) {
			continue
		}
		for n := range form.Descendants() {
			if key := attribute(n, "data-key"); key != "" {
				onButtons[key] = true
			}
		}
	}
	if got, want := sorted(onButtons), strings.Split(string(known[1]), ""); !cmp.Equal(got, sortedList(want)) {
		t.Errorf("buttons have the keys %q, the script knows %q", got, want)
	}
	help := all(one(t, root, "dl", "keys"), "kbd", "")
	for key := range onButtons {
		if !slices.ContainsFunc(help, func(n *html.Node) bool { return strings.ToLower(text(n)) == key }) {
			t.Errorf("the help does not explain %q", key)
		}
	}
}

func sorted(m map[string]bool) []string { return slices.Sorted(mapKeys(m)) }

func sortedList(s []string) []string {
	slices.Sort(s)
	return s
}

// The screens are chosen by a digit each, and no two by the same.
func TestScreenKeys(t *testing.T) {
	root := page(t, marking(t, &marked{}), "/")
	var got []string
	for _, b := range all(all(root, "div", "choices")[0], "button", "") {
		got = append(got, attribute(b, "data-key")+" "+strings.TrimPrefix(attribute(b, "value"), "screen "))
	}
	want := []string{"1 blank", "2 logo", "3 lock screen", "4 repair prompt", "5 delay shown", "6 trust prompt", "7 unlocked", "8 progress bar"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Whatever a form holds, what comes out can be handed on.
func FuzzMarkOf(f *testing.F) {
	for _, form := range []string{"mark=stop&sure=1", "mark=screen+logo", "mark=note&text=x&by=kim", "mark=hands-on", "mark=&by=%ff", "mark=screen", "mark=arm+stay+3h", "mark=arm&text=copy"} {
		f.Add(form)
	}
	f.Fuzz(func(t *testing.T, form string) {
		v, err := url.ParseQuery(form)
		if err != nil {
			return
		}
		if m, err := markOf(v); err == nil && m.Check() != nil {
			t.Errorf("%q becomes %+v: %v", form, m, m.Check())
		}
	})
}
