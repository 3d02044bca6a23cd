package web

import (
	"encoding/json"
	"image/png"
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
	"github.com/skip2/go-qrcode"
)

// pushing are the options of a bench to which phones can subscribe.
func pushing(t *testing.T, address string, phones ...Phone) Options {
	t.Helper()
	o := options(t, running())
	o.Push = &Push{
		Handler: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusTeapot) }),
		Phones:  func() []Phone { return phones },
		Address: func() string { return address },
	}
	return o
}

func TestSubscribePage(t *testing.T) {
	root := page(t, pushing(t, "https://bench.example.com:8421", Phone{ID: "a1", Person: "Kim", Device: "<phone>", Since: night, Trouble: "403"}), "/phone")
	if got := text(one(t, root, "article", "reached")); !strings.Contains(got, "<phone>, Kim") || !strings.Contains(got, "403") || !strings.Contains(got, "never") {
		t.Errorf("the phone reads %q", got)
	}
	code := one(t, root, "svg", "code")
	if got := attribute(code, "aria-label"); got != "Code that leads to https://bench.example.com:8421/phone" {
		t.Errorf("the code: %s", got)
	}
	form := one(t, root, "form", "")
	if len(all(form, "input", "")) != 2 || len(all(form, "label", "")) != 2 {
		t.Error("an input without its label")
	}
	for _, address := range []string{"", "http://192.0.2.1:8420", "https:", "\x7f"} {
		root := page(t, pushing(t, address), "/phone")
		if n := len(all(root, "svg", "code")); n != 0 {
			t.Errorf("%q has a code", address)
		}
	}
}

// A phone subscribes only where a browser lets it.
func TestInsecure(t *testing.T) {
	s := newSite(t, pushing(t, ""))
	h := secure(s.mux(), nil)
	for _, c := range []struct {
		host, proto string
		want        bool
	}{{"localhost:8420", "", false}, {"192.0.2.1:8420", "", true}, {"bench.example.com", "https", false}} {
		r := askOf(t, h, c.host, c.proto)
		if got := strings.Contains(r, "only under https"); got != c.want {
			t.Errorf("%+v: warned %v", c, got)
		}
	}
}

// The code holds the address: its modules are those of the library.
func TestCode(t *testing.T) {
	p := &Subscribe{}
	p.code("https://bench.example.com/")
	q, err := qrcode.New("https://bench.example.com/phone", qrcode.Medium)
	if err != nil {
		t.Fatal(err)
	}
	dark := 0
	for _, row := range q.Bitmap() {
		for _, d := range row {
			if d {
				dark++
			}
		}
	}
	if p.Size != len(q.Bitmap()) || area(t, p.Path) != dark {
		t.Errorf("%d of %d modules, size %d", area(t, p.Path), dark, p.Size)
	}
	if got, _ := pathOf([][]bool{{true, true, false, true}, {false, false, false, false}}); got != "M0 0h2v1h-2zM3 0h1v1h-1z" {
		t.Errorf("path %s", got)
	}
}

// area sums the widths of the runs in a path.
func area(t *testing.T, path string) (n int) {
	t.Helper()
	for part := range strings.SplitSeq(path, "h") {
		if end := strings.Index(part, "v1"); end > 0 {
			n += atoi(t, part[:end])
		}
	}
	return n
}

func TestSubscriber(t *testing.T) {
	c := clock{time.UTC, night}
	for _, tc := range []struct {
		name string
		p    Phone
		want Subscriber
	}{
		{"new", Phone{Since: ago(time.Hour)}, Subscriber{Since: "01:58:12"}},
		{"arrived", Phone{Since: ago(time.Hour), Sent: ago(time.Minute), Arrived: ago(58 * time.Second)}, Subscriber{Since: "01:58:12", Sent: "02:57:12", Arrived: "02:57:14"}},
		{"on its way", Phone{Since: ago(time.Hour), Sent: ago(20 * time.Second)}, Subscriber{Since: "01:58:12", Sent: "02:57:52"}},
		{"late", Phone{Since: ago(time.Hour), Sent: ago(time.Minute), Arrived: ago(10 * time.Minute)}, Subscriber{Since: "01:58:12", Sent: "02:57:12", Arrived: "02:48:12", Late: true}},
	} {
		if diff := cmp.Diff(tc.want, subscriberOf(&tc.p, c)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tc.name, diff)
		}
	}
}

func TestManifest(t *testing.T) {
	s := newSite(t, pushing(t, ""))
	r := ask(t, s, http.MethodGet, "/manifest.webmanifest")
	if got := r.Header.Get("Content-Type"); got != "application/manifest+json" {
		t.Errorf("type %s", got)
	}
	var m struct {
		Start string `json:"start_url"`
		Icons []struct{ Src, Sizes string }
	}
	if err := json.Unmarshal([]byte(body(t, r)), &m); err != nil {
		t.Fatal(err)
	}
	if r := ask(t, s, http.MethodGet, m.Start); r.StatusCode != http.StatusOK {
		t.Errorf("%s: %s", m.Start, r.Status)
	}
	for _, i := range m.Icons {
		r := ask(t, s, http.MethodGet, i.Src)
		img, err := png.Decode(r.Body)
		if err != nil || i.Sizes != sizeOf(img.Bounds().Dx(), img.Bounds().Dy()) {
			t.Errorf("%s: %v", i.Src, err)
		}
	}
	if len(m.Icons) != 2 {
		t.Errorf("%d icons", len(m.Icons))
	}
}

// The drawing has its line where the SVG has it.
func TestIcon(t *testing.T) {
	img := drawIcon(320)
	for _, c := range []struct {
		x, y float64 // in units of the drawing
		ink  bool
	}{{4, 22, true}, {7, 22, true}, {12, 12, true}, {16, 24, true}, {26, 16, true}, {16, 4, false}, {4, 16, false}, {30, 30, false}} {
		at := func(v float64) int { return int(((v-16)*iconScale + 16) * 10) }
		if got := img.At(at(c.x), at(c.y)) == iconInk; got != c.ink {
			t.Errorf("at %v, %v: ink %v", c.x, c.y, got)
		}
	}
}

// Without Push there is nothing of it.
func TestNoPush(t *testing.T) {
	s := newSite(t, options(t, running()))
	for _, path := range []string{"/phone", "/push/key"} {
		if r := ask(t, s, http.MethodGet, path); r.StatusCode != http.StatusNotFound {
			t.Errorf("%s: %s", path, r.Status)
		}
	}
	if page := body(t, ask(t, s, http.MethodGet, "/m")); strings.Contains(page, `"/phone"`) {
		t.Error("the page leads where nothing is")
	}
	with := newSite(t, pushing(t, "", Phone{}))
	for path, want := range map[string]int{"/worker.js": 200, "/push.js": 200, "/push.css": 200, "/icon-180.png": 200, "/push/key": http.StatusTeapot} {
		if r := ask(t, with, http.MethodGet, path); r.StatusCode != want {
			t.Errorf("%s: %s", path, r.Status)
		}
	}
	if page := body(t, ask(t, with, http.MethodGet, "/m")); !strings.Contains(page, `"/phone"`) {
		t.Error("the page does not lead to it")
	}
}

func sizeOf(x, y int) string { return strconv.Itoa(x) + "x" + strconv.Itoa(y) }

func atoi(t *testing.T, s string) int {
	t.Helper()
	n, err := strconv.Atoi(s)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// askOf asks for the page under a name, by way of a proxy or not.
func askOf(t *testing.T, h http.Handler, host, proto string) string {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+host+"/phone", nil)
	if proto != "" {
		r.Header.Set("X-Forwarded-Proto", proto)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Body.String()
}

// What the worker keeps for when the bench is out of reach is served, and the page
// among it says plainly that nothing is watched, needs nothing that is not kept, and
// tells nothing of any board.
func TestOfflinePage(t *testing.T) {
	b, err := os.ReadFile("assets/worker.js")
	if err != nil {
		t.Fatal(err)
	}
	var kept []string
	for _, m := range regexp.MustCompile(`"(/[a-z.]+)"`).FindAllSubmatch(regexp.MustCompile(`const stocked = .*`).Find(b), -1) {
		kept = append(kept, string(m[1]))
	}
	o := options(t, someStations(3)...)
	s := newSite(t, o)
	for _, path := range kept {
		if r := ask(t, s, http.MethodGet, path); r.StatusCode != http.StatusOK {
			t.Errorf("%s: %s", path, r.Status)
		}
	}
	root := page(t, o, "/offline")
	if !slices.Contains(kept, "/offline") || !strings.Contains(text(root), "Nothing is watched from here now.") {
		t.Errorf("kept %q; it says %s", kept, text(root))
	}
	for n := range root.Descendants() {
		needs := attribute(n, "src")
		if n.Data == "link" && attribute(n, "rel") == "stylesheet" {
			needs = attribute(n, "href")
		}
		if needs != "" && !slices.Contains(kept, needs) {
			t.Errorf("it needs %s, which is not kept", needs)
		}
	}
	for _, one := range o.Snapshots() {
		if strings.Contains(text(root), one.Name) {
			t.Errorf("it tells of %s", one.Name)
		}
	}
}

// Where the configuration keeps phones from subscribing, the page says what is to be
// written there, and the script offers nothing.
func TestUnready(t *testing.T) {
	for ready, want := range map[bool]bool{true: false, false: true} {
		o := pushing(t, "")
		o.Push.Ready = func() bool { return ready }
		root := page(t, o, "/phone")
		if got := strings.Contains(text(root), "contact: mailto:"); got != want {
			t.Errorf("ready %v: %s", ready, text(root))
		}
		offered := true
		for _, a := range one(t, root, "form", "").Attr {
			offered = offered && a.Key != "data-unready"
		}
		if offered == want {
			t.Errorf("ready %v: offered %v", ready, offered)
		}
		if !strings.Contains(text(root), "link: https://") {
			t.Error("it does not say where the address is written")
		}
	}
}
