package browser

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/unit"
)

// A double tap acts once; what no answer came to is said, and can be done again.
func TestActs(t *testing.T) {
	r := newRig(t, "", "left")
	r.boards["left"].draw(412 * unit.Milliampere)
	p := newTab(t)
	defer p.close()
	p.allow(ofADeadDaemon...)
	p.phone(320, 700)
	p.open(r.url + "/m/left")
	p.wait("a run", `document.querySelector(".uptime b")`)
	r.boards["left"].draw(0)
	p.wait("a button that acknowledges", called("Acknowledge"))
	run[bool](p, `(() => { const b = `+called("Acknowledge")+`; b.click(); b.click(); return true })()`)
	p.wait("the question who it is", `document.querySelector("dialog[open] input")`)
	run[bool](p, `(() => { const i = document.querySelector("dialog[open] input"); i.value = "Kim"; i.form.querySelector("[value=named]").click(); return true })()`)
	p.wait("who sees to it", `document.body.innerText.includes("Kim sees to it")`)
	// The trail is written beside the answer.
	for end := time.Now().Add(within / 4); r.acts("acknowledge") == 0 && time.Now().Before(end); time.Sleep(50 * time.Millisecond) { //nolint:revive // it waits
	}

	r.kill()
	p.wait("a dead daemon", `!document.getElementById("silence").hidden`)
	run[bool](p, `(`+called("Hands on")+`.click(), true)`)
	p.wait("that it may not have been done", `document.getElementById("answer")?.innerText.includes("may not have been done")`)
	r.start()
	p.wait("the daemon again", `document.getElementById("silence").hidden`)
	run[bool](p, `(`+called("Hands on")+`.click(), true)`)
	p.wait("hands on", `document.querySelector(".hands")?.innerText.includes("until")`)
	if n := r.acts("acknowledge"); n != 1 {
		t.Errorf("a double tap acknowledged %d times", n)
	}
}

// called is a button that can be seen, by the beginning of its name.
func called(name string) string {
	return `[...document.querySelectorAll("button, .button")].find((b) => b.checkVisibility() && b.innerText.startsWith("` + name + `"))`
}

// acts counts what people did, by a word of it.
func (r *rig) acts(word string) (n int) {
	r.tb.Helper()
	q, err := http.NewRequestWithContext(r.tb.Context(), http.MethodGet, r.url+"/api/v1/audit", http.NoBody)
	must(r.tb, err)
	a, err := r.client.Do(q)
	must(r.tb, err)
	defer a.Body.Close() //nolint:errcheck // read to its end
	var page struct {
		Items []struct{ Did, Outcome string }
	}
	must(r.tb, json.NewDecoder(a.Body).Decode(&page))
	for _, one := range page.Items {
		if strings.Contains(one.Did, word) && one.Outcome == "done" {
			n++
		}
	}
	return n
}
