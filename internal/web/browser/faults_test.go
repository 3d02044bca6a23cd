package browser

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// faulty is a wall with one of each fault that the tests look for.
const faulty = `<!DOCTYPE html><html lang="en"><title>Faulty</title><link rel="stylesheet" href="/faulty.css">
<main><h1>Faulty</h1><article class="tile" id="station-x"><header><h2>Cut off by its own box</h2></header>
<p class="mode"><span>Low</span></p></article>
<img src="/none"><img alt="" src="http://192.0.2.1/elsewhere.png"></main>
<script>document.title = "the policy was not kept"</script><script src="/faulty.js"></script></html>`

const faultyStyle = `.tile { width: 300px; height: 200px; overflow: hidden } h2 { width: 50px; height: 20px; overflow: hidden; white-space: nowrap; font-size: 50px }
.mode { font-size: 20px; animation: turn 1s infinite } @keyframes turn { to { rotate: 1turn } } main { width: 3000px }`

// What a test cannot find, it cannot hold: a page with every fault is found to
// have each of them.
func TestFaultsAreFound(t *testing.T) {
	p := newTab(t)
	p.allow("") // everything: it is what is looked for
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Security-Policy", "default-src 'self' http://192.0.2.1")
		text, ok := map[string]string{"/": faulty, "/faulty.css": faultyStyle, "/faulty.js": "console.error('seen'); throw new Error('thrown')"}[r.URL.Path]
		if !ok {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Content-Type", map[string]string{"/": "text/html", "/faulty.css": "text/css", "/faulty.js": "text/javascript"}[r.URL.Path])
		fmt.Fprint(w, text) //nolint:errcheck // the browser has gone
	}))
	defer s.Close()
	// What is elsewhere never answers, so the page is never loaded as a whole.
	run[bool](p, fmt.Sprintf(`(location.href = %q, true)`, s.URL))
	p.wait("the page", `document.querySelector("h1")?.innerText === "Faulty" && window.performance.getEntriesByType("resource").length > 1`)

	var got []string
	got = append(got, run[[]string](p, cutOff)...)
	got = append(got, run[[]string](p, fmt.Sprintf(tooLow, matters, 27.0, high))...)
	run[bool](p, axe(t)+"; true")
	for _, v := range p.violations(every) {
		got = append(got, v.String())
	}
	if n := run[int](p, animations); n != 1 {
		t.Errorf("%d animations run, want 1", n)
	}
	if over := run[[]float64](p, overflow); over[0] <= 0 {
		t.Error("it is not found to be too wide")
	}
	p.close() // which ends what is noted
	got = append(got, p.noted...)
	for _, want := range []string{
		`station-x: "Cut off by its own box" needs`, `.tile .mode > span, "Low", is 20.0 px high, want 40.0`, ".tile .uptime b is nowhere",
		"image-alt", "another computer: http://192.0.2.1/elsewhere.png", "seen", "thrown", "Content Security Policy", "404",
	} {
		if !strings.Contains(strings.Join(got, "\n"), want) {
			t.Errorf("nothing is found like %q", want)
		}
	}
	if t.Failed() {
		t.Log(strings.Join(got, "\n"))
	}
}
