package web

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest"
	"golang.org/x/net/html"

	"benchvigil/internal/bench"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// options are those of a bench with some snapshots, which stand still.
func options(t *testing.T, snapshots ...bench.Snapshot) Options {
	t.Helper()
	return Options{
		Bench: "north", Version: "1.2.3", Zone: time.UTC, Logger: zaptest.NewLogger(t, zaptest.Level(zap.InfoLevel)),
		Snapshots: func() []bench.Snapshot { return snapshots },
	}
}

func newSite(t *testing.T, o Options) *Site {
	t.Helper()
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func ask(t *testing.T, s *Site, method, path string, header ...string) *http.Response {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), method, "http://localhost:8420"+path, nil)
	for i := 0; i < len(header); i += 2 {
		if header[i] == "Host" {
			r.Host = header[i+1]
		}
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w.Result()
}

func body(t *testing.T, r *http.Response) string {
	t.Helper()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func front(t *testing.T, o Options) *html.Node {
	t.Helper()
	r := ask(t, newSite(t, o), http.MethodGet, "/")
	if r.StatusCode != http.StatusOK {
		t.Fatalf("/ answers %s", r.Status)
	}
	return parse(t, body(t, r))
}

func parse(t *testing.T, page string) *html.Node {
	t.Helper()
	n, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func attribute(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func hasClass(n *html.Node, class string) bool {
	return slices.Contains(strings.Fields(attribute(n, "class")), class)
}

// all finds elements by tag, and by class unless that is empty.
func all(root *html.Node, tag, class string) (out []*html.Node) {
	for n := range root.Descendants() {
		if n.Type == html.ElementNode && n.Data == tag && (class == "" || hasClass(n, class)) {
			out = append(out, n)
		}
	}
	return out
}

// text is what can be read in an element, with single spaces.
func text(root *html.Node) string {
	var b strings.Builder
	for n := range root.Descendants() {
		if n.Type == html.TextNode {
			b.WriteString(n.Data)
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// one finds the only such element.
func one(t *testing.T, root *html.Node, tag, class string) *html.Node {
	t.Helper()
	found := all(root, tag, class)
	if len(found) != 1 {
		t.Fatalf("%d elements <%s class=%q>, want one", len(found), tag, class)
	}
	return found[0]
}

// Every state renders, and what the tile function says is all there to read,
// in the order of the configuration.
func TestEveryStateRenders(t *testing.T) {
	states := allStates()
	root := front(t, options(t, someStations(len(states))...))
	tiles := all(root, "article", "tile")
	if len(tiles) != len(states) {
		t.Fatalf("%d tiles, want %d", len(tiles), len(states))
	}
	for i, c := range states {
		tile, want := tiles[i], tileOf(&c.s, time.UTC, false)
		t.Run(c.what, func(t *testing.T) {
			if id := attribute(tile, "id"); id != fmt.Sprintf("station-s-%d", i+1) {
				t.Errorf("the tile has the id %q", id)
			}
			checkTile(t, tile, want)
		})
	}
}

func checkTile(t *testing.T, tile *html.Node, want Tile) {
	t.Helper()
	for _, v := range severities {
		if hasClass(tile, v.String()) != (v == want.Severity) {
			t.Errorf("classes %q, want only %v", attribute(tile, "class"), want.Severity)
		}
	}
	// Never by colour alone: a word and a sign of its own shape.
	if got := text(one(t, tile, "strong", "state")); got != want.State || got == "" {
		t.Errorf("the head says %q, want %q", got, want.State)
	}
	head := one(t, tile, "header", "")
	if use := one(t, head, "use", ""); attribute(use, "href") != "#sign-"+want.Severity.String() {
		t.Errorf("the head has the sign %q, want that of %v", attribute(use, "href"), want.Severity)
	}
	read := text(tile)
	for _, s := range []string{
		want.Name, want.Mode, want.ModeToo, want.ModeFor, want.Uptime, want.Since, want.Wait, want.Window, want.End, want.Left,
		want.Amps, want.Volts, want.Reading, want.USB, want.Counts,
	} {
		if !strings.Contains(read, s) {
			t.Errorf("%q cannot be read in: %s", s, read)
		}
	}
	for _, x := range slices.Concat(want.Troubles, want.Notes) {
		if !strings.Contains(read, x.Text) {
			t.Errorf("%q cannot be read in: %s", x.Text, read)
		}
	}
	if got := len(all(one(t, tile, "div", "more"), "time", "")); got != len(want.Events) {
		t.Errorf("%d events, want %d", got, len(want.Events))
	}
	if bars := all(tile, "svg", "bar"); (len(bars) == 1) != (want.Done != "") {
		t.Errorf("%d bars, and %q percent done", len(bars), want.Done)
	}
	if lines := all(tile, "svg", "shape"); (len(lines) == 1) != (want.Shape.Line != "") {
		t.Errorf("%d drawings of the shape %q", len(lines), want.Shape.Line)
	}
}

func TestBar(t *testing.T) {
	root := front(t, options(t, running()))
	if got := attribute(one(t, root, "rect", "done"), "width"); got != "58.6%" {
		t.Errorf("the bar is %s long, want 58.6%%", got)
	}
}

// What comes from outside is text, never markup.
func TestForeignTextIsEscaped(t *testing.T) {
	const evil = `<script>alert(1)</script><img src=x onerror=alert(2)>`
	s := running()
	s.Station, s.Name, s.Label, s.Port, s.USB.Serial, s.SupplyError = `a"><b>`, evil, evil, evil, evil, evil
	o := options(t, s)
	o.Bench, o.Banner, o.Version = evil, evil, evil
	o.Mark = (&marked{}).mark
	root := front(t, o)
	if len(all(root, "img", "")) != 0 || len(all(root, "script", "")) != 1 {
		t.Error("foreign text has become markup")
	}
	if got := attribute(one(t, root, "article", ""), "id"); got != `station-a"><b>` {
		t.Errorf("the tile has the id %q", got)
	}
	if got := text(one(t, one(t, root, "article", ""), "h2", "")); got != evil {
		t.Errorf("the name reads %q", got)
	}
}

func TestSeveralNeedYou(t *testing.T) {
	got := summarise([]Tile{{Severity: Action}, {Severity: Action}, {Severity: Danger}}, "north")
	if got.Title != "1 danger · 2 need you · north" || got.Counts[1].Word() != "need you" {
		t.Errorf("%+v", got)
	}
}

func TestSummary(t *testing.T) {
	states := map[string]bench.Snapshot{}
	for _, c := range allStates() {
		states[c.what] = c.s
	}
	root := front(t, options(t, states["running"], states["dropped"], states["stalled"], states["USB lost"], states["off"], states["restoring"]))
	var got []string
	for _, li := range all(one(t, root, "ul", "summary"), "li", "") {
		got = append(got, text(li))
	}
	if diff := cmp.Diff([]string{"1 danger", "1 abnormal", "1 needs you", "2 normal", "1 idle"}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if got := text(one(t, root, "title", "")); got != "1 danger · 1 abnormal · 1 needs you · north" {
		t.Errorf("the title is %q", got)
	}
}

func TestDensity(t *testing.T) {
	for n, want := range map[int]string{1: "one", 2: "few", 6: "few", 7: "some", 12: "some", 13: "many", 40: "many"} {
		root := front(t, options(t, someStations(n)...))
		if grid := one(t, root, "div", "grid"); !hasClass(grid, want) || len(all(grid, "article", "")) != n {
			t.Errorf("%d stations: %d tiles in a grid %q, want %s", n, len(all(grid, "article", "")), attribute(grid, "class"), want)
		}
	}
}

func TestNoStations(t *testing.T) {
	got := text(one(t, front(t, options(t)), "section", "nothing"))
	for _, want := range []string{"No station is watched yet", "stations:", "benchvigil run --config", "benchvigil demo"} {
		if !strings.Contains(got, want) {
			t.Errorf("the empty page does not say %q: %s", want, got)
		}
	}
}

// A notice stands on every page and on the live stream, and goes when it is
// over.
func TestNotice(t *testing.T) {
	o := options(t, running())
	notice := ""
	o.Notice = func() string { return notice }
	if got := text(one(t, front(t, o), "p", "notice")); got != "" {
		t.Errorf("without a notice it reads %q", got)
	}
	notice = "The new configuration is refused: <b>"
	s := newSite(t, o)
	for _, path := range []string{"/", "/m", "/m/" + running().Station} {
		if page := body(t, ask(t, s, http.MethodGet, path)); !strings.Contains(page, `role="status">The new configuration is refused: &lt;b&gt;</p>`) {
			t.Errorf("%s has no notice:\n%s", path, page)
		}
	}
	for _, v := range []view{{}, {list: true}, {station: running().Station}, {station: "gone"}} {
		l := s.look()
		sent := shown{}
		s.changes(&l, v, sent)
		l.Notice = ""
		if got := string(s.changes(&l, v, sent)); !strings.Contains(got, `<p id="notice" class="notice" role="status" hidden></p>`) {
			t.Errorf("%+v: the end of a notice is not sent: %q", v, got)
		}
	}
}

func TestBanner(t *testing.T) {
	o := options(t, running())
	if n := len(all(front(t, o), "aside", "banner")); n != 0 {
		t.Errorf("%d banners on a real bench", n)
	}
	o.Banner = "Simulated bench, time runs 10×"
	if got := text(one(t, front(t, o), "aside", "banner")); got != o.Banner {
		t.Errorf("the banner reads %q", got)
	}
}

// The strict policy holds only if nothing is inline and nothing comes from
// elsewhere; and without script the page must still renew itself.
func TestPageNeedsNothingElse(t *testing.T) {
	for _, path := range everyPage {
		t.Run(path, func(t *testing.T) { needsNothingElse(t, page(t, marking(t, &marked{}), path)) })
	}
}

func needsNothingElse(t *testing.T, root *html.Node) {
	t.Helper()
	for n := range root.Descendants() {
		for _, a := range n.Attr {
			switch {
			case a.Key == "style" || strings.HasPrefix(a.Key, "on"):
				t.Errorf("<%s %s=%q> is inline", n.Data, a.Key, a.Val)
			case (a.Key == "href" || a.Key == "src" || a.Key == "action") && !strings.HasPrefix(a.Val, "#") && (!strings.HasPrefix(a.Val, "/") || strings.HasPrefix(a.Val, "//")):
				t.Errorf("<%s %s=%q> is elsewhere", n.Data, a.Key, a.Val)
			}
		}
		if n.Type == html.ElementNode && (n.Data == "style" || n.Data == "script" && n.FirstChild != nil) {
			t.Errorf("<%s> is inline", n.Data)
		}
	}
	if attribute(one(t, root, "html", ""), "data-live") == "" {
		return // it asks something, and is to stay as it is
	}
	head := one(t, root, "head", "")
	if got := one(t, head, "noscript", ""); !strings.Contains(text(got), `http-equiv="refresh" content="5"`) {
		t.Errorf("without script the page does not renew itself: %q", text(got))
	}
}

// What a script and the pages say of each other must be there: what it uses
// without asking, on every page that loads it; what it asks for, on one.
func TestScriptFindsItsElements(t *testing.T) {
	o := marking(t, &marked{})
	ids := map[string]int{}
	live := []string{"/", "/m", "/m/s-1"}
	for _, path := range live {
		for n := range page(t, o, path).Descendants() {
			if id := attribute(n, "id"); id != "" {
				ids[id]++
			}
		}
	}
	for _, tc := range []struct {
		script string
		least  int      // ids it must name
		some   []string // those that it asks for
	}{
		{"app.js", 3, nil},
		{"marks.js", 3, []string{"who", "signed"}},
		{"keys.js", 3, []string{"keys-on", "station", "help"}},
	} {
		found := wantedIDs(t, tc.script)
		if len(found) < tc.least {
			t.Errorf("only %q found in %s", found, tc.script)
		}
		for _, id := range found {
			if want := map[bool]int{true: 1, false: len(live)}[slices.Contains(tc.some, id)]; ids[id] < want {
				t.Errorf("%s wants the element %q, which is on %d pages, want %d", tc.script, id, ids[id], want)
			}
		}
	}
}

func wantedIDs(t *testing.T, script string) (ids []string) {
	t.Helper()
	b, err := os.ReadFile("assets/" + script)
	if err != nil {
		t.Fatal(err)
	}
	for _, piece := range strings.Split(string(b), `getElementById("`)[1:] {
		id, _, _ := strings.Cut(piece, `"`)
		ids = append(ids, id)
	}
	return ids
}

// The page must say within 3 s that nothing comes, and must not say so for one
// sign of life that is late.
func TestScriptKeepsTheTimes(t *testing.T) {
	script, err := os.ReadFile("assets/app.js")
	if err != nil {
		t.Fatal(err)
	}
	number := func(pattern string) time.Duration {
		m := regexp.MustCompile(pattern).FindSubmatch(script)
		if m == nil {
			t.Fatalf("no %q in the script", pattern)
		}
		n, err := strconv.Atoi(string(m[1]))
		if err != nil {
			t.Fatal(err)
		}
		return time.Duration(n) * time.Millisecond
	}
	after, every := number(`silentAfter = (\d+);`), number(`setInterval\(check, (\d+)\)`)
	if after+every > 3*time.Second || after < 2*beatEvery {
		t.Errorf("silent after %v, looked at every %v, with a sign of life every %v", after, every, beatEvery)
	}
}

func TestSilenceIsHiddenAtFirst(t *testing.T) {
	for n := range front(t, options(t, running())).Descendants() {
		if attribute(n, "id") == "silence" {
			if !slices.ContainsFunc(n.Attr, func(a html.Attribute) bool { return a.Key == "hidden" }) || attribute(n, "role") != "alert" {
				t.Errorf("attributes %v, want hidden and the role of an alert", n.Attr)
			}
			return
		}
	}
	t.Error("there is no place to say that nothing comes")
}

// A station whose snapshots stand still is told to be old, and fresh again
// when they go on.
func TestStationFallsSilent(t *testing.T) {
	var n news
	s := running()
	at := func(d time.Duration) bool { return n.silent(&s, night.Add(d)) }
	for _, step := range []struct {
		after time.Duration
		moves bool
		want  bool
	}{{0, false, false}, {2499 * time.Millisecond, false, false}, {2500 * time.Millisecond, false, true}, {time.Minute, false, true}, {time.Minute, true, false}, {62 * time.Second, false, false}, {63 * time.Second, false, true}} {
		if step.moves {
			s.At = s.At.Add(100 * time.Millisecond)
		}
		if got := at(step.after); got != step.want {
			t.Errorf("after %v, moved %v: silent %v, want %v", step.after, step.moves, got, step.want)
		}
	}
}

func TestChecks(t *testing.T) {
	o := options(t)
	o.Health = func() error { return errors.New("the record cannot be written: no space left on device") }
	s := newSite(t, o)
	for _, tc := range []struct {
		path string
		code int
		body string
	}{
		{"/healthz", 503, "the record cannot be written: no space left on device\n"},
		{"/readyz", 200, "ok\n"},
	} {
		r := ask(t, s, http.MethodGet, tc.path)
		if got := body(t, r); r.StatusCode != tc.code || got != tc.body {
			t.Errorf("%s: %d %q, want %d %q", tc.path, r.StatusCode, got, tc.code, tc.body)
		}
	}
}

func TestRoutes(t *testing.T) {
	o := options(t, running())
	o.Metrics = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "metrics here") })
	s := newSite(t, o)
	for _, tc := range []struct {
		method, path string
		code         int
		kind         string
	}{
		{"GET", "/", 200, "text/html; charset=utf-8"},
		{"HEAD", "/", 200, "text/html; charset=utf-8"},
		{"POST", "/", 405, ""},
		{"DELETE", "/live", 405, ""},
		{"GET", "/m", 200, "text/html; charset=utf-8"},
		{"GET", "/m/s", 200, "text/html; charset=utf-8"},
		{"GET", "/m/nobody", 404, "text/html; charset=utf-8"},
		{"POST", "/stations/s/marks", 404, ""}, // nothing takes marks here
		{"POST", "/healthz", 405, ""},
		{"GET", "/nothing", 404, ""},
		{"GET", "/assets/app.js", 404, ""},
		{"GET", "/app.js", 200, "text/javascript; charset=utf-8"},
		{"GET", "/style.css", 200, "text/css; charset=utf-8"},
		{"GET", "/marks.css", 200, "text/css; charset=utf-8"},
		{"GET", "/phone.css", 200, "text/css; charset=utf-8"},
		{"GET", "/icon.svg", 200, "image/svg+xml"},
		{"HEAD", "/live", 200, "text/event-stream"},
		{"GET", "/metrics", 200, ""},
	} {
		r := ask(t, s, tc.method, tc.path)
		if r.StatusCode != tc.code || tc.kind != "" && r.Header.Get("Content-Type") != tc.kind {
			t.Errorf("%s %s: %d %q, want %d %q", tc.method, tc.path, r.StatusCode, r.Header.Get("Content-Type"), tc.code, tc.kind)
		}
		for _, h := range []string{"Content-Security-Policy", "X-Content-Type-Options", "X-Frame-Options", "Referrer-Policy", "Cross-Origin-Opener-Policy", "Cross-Origin-Resource-Policy"} {
			if r.Header.Get(h) == "" {
				t.Errorf("%s %s: no %s", tc.method, tc.path, h)
			}
		}
		if csp := r.Header.Get("Content-Security-Policy"); !strings.HasPrefix(csp, "default-src 'self';") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s %s: the policy is %q", tc.method, tc.path, csp)
		}
	}
	if r := ask(t, newSite(t, options(t)), "GET", "/metrics"); r.StatusCode != 404 {
		t.Errorf("without metrics /metrics answers %s", r.Status)
	}
}

func TestAssetsAreNotSentTwice(t *testing.T) {
	s := newSite(t, options(t))
	tag := ask(t, s, "GET", "/app.js").Header.Get("ETag")
	if r := ask(t, s, "GET", "/app.js", "If-None-Match", tag); r.StatusCode != http.StatusNotModified {
		t.Errorf("the same script again: %s, want 304", r.Status)
	}
	o := options(t)
	o.Version = "1.2.4"
	if newSite(t, o).assets == s.assets {
		t.Error("another version has the same tag: open pages would not notice")
	}
}

// DNS rebinding: somebody else's name that points here is refused.
func TestHostNames(t *testing.T) {
	s := newSite(t, options(t))
	for host, code := range map[string]int{
		"localhost": 200, "localhost:8420": 200, "LOCALHOST:1": 200, "127.0.0.1:8420": 200, "[::1]:8420": 200, "[::1]": 200,
		"bench.example": 421, "bench.example:8420": 421, "localhost.example": 421, "192.0.2.1:8420": 421, "": 421, "127.0.0.2": 421,
	} {
		r := ask(t, s, "GET", "/healthz", "Host", host)
		if got := body(t, r); r.StatusCode != code || code == 421 && !strings.Contains(got, "as localhost") {
			t.Errorf("Host %q: %d %q, want %d", host, r.StatusCode, got, code)
		}
	}
}

func TestOtherSitesMayNotRead(t *testing.T) {
	s := newSite(t, options(t))
	for _, tc := range []struct {
		site, mode string
		code       int
	}{
		{"cross-site", "no-cors", 403},
		{"cross-site", "cors", 403},
		{"cross-site", "navigate", 200}, // a link that somebody followed
		{"same-origin", "cors", 200},
		{"none", "navigate", 200},
		{"", "", 200}, // not a browser
	} {
		if r := ask(t, s, "GET", "/healthz", "Sec-Fetch-Site", tc.site, "Sec-Fetch-Mode", tc.mode); r.StatusCode != tc.code {
			t.Errorf("%s, %s: %d, want %d", tc.site, tc.mode, r.StatusCode, tc.code)
		}
	}
}

func TestNewNeeds(t *testing.T) {
	if _, err := New(Options{Logger: zap.NewNop()}); err == nil {
		t.Error("a site without snapshots was made")
	}
	if _, err := New(Options{Snapshots: func() []bench.Snapshot { return nil }}); err == nil {
		t.Error("a site without a logger was made")
	}
}

// The words of a severity are all there, and each sign is drawn on the page.
func TestLegend(t *testing.T) {
	root := front(t, options(t, running()))
	legend := text(one(t, root, "dl", "legend"))
	signs := map[string]bool{}
	for _, s := range all(root, "symbol", "") {
		signs[attribute(s, "id")] = true
	}
	for _, v := range severities {
		if !signs["sign-"+v.String()] {
			t.Errorf("%v has no sign", v)
		}
		if !strings.Contains(legend, v.Word()+v.Meaning()) {
			t.Errorf("%v is not explained in %q", v, legend)
		}
	}
	if len(signs) != len(severities) || len(severities) != len(severityNames) {
		t.Errorf("%d signs for %d severities", len(signs), len(severities))
	}
}

func BenchmarkTile(b *testing.B) {
	s := running()
	b.ReportAllocs()
	for b.Loop() {
		tileOf(&s, time.UTC, false)
	}
}
