package browser

import (
	"os"
	"testing"
	"time"

	"benchvigil/internal/unit"
)

// The pages do in Firefox and in WebKit, Safari's engine, what they do in
// Chromium, which all other tests use: they live, they say when the daemon died
// and heal, the chart is drawn and zoomed, an alert is acknowledged.
func TestOtherBrowsers(t *testing.T) {
	if os.Getenv("BENCHVIGIL_ENGINES") == "" {
		t.Skip("other browsers want to be installed: run make test-engines")
	}
	t.Run("Firefox", func(t *testing.T) { everyPage(t, newFirefox(t)) })
	t.Run("WebKit", func(t *testing.T) { everyPage(t, newWebKit(t)) })
}

func everyPage(t *testing.T, b remote) {
	t.Helper()
	r := newRig(t, "", "left")
	r.boards["left"].draw(412 * unit.Milliampere)
	see := func(what, condition string) {
		t.Helper()
		await(t, b, what, condition)
	}

	must(t, b.open(r.url+wallPath))
	see("a run on the wall", `document.querySelector(".tile .uptime b")`)
	theWallFollows(t, r, see)

	must(t, b.open(r.url+"/m/left"))
	const button = `[...document.querySelectorAll("button")].find((b) => b.checkVisibility() && b.innerText.startsWith("Acknowledge"))`
	see("a button that acknowledges", button)
	do(t, b, button+`.click()`)
	see("the question who it is", `document.querySelector("dialog[open] input")`)
	do(t, b, `const i = document.querySelector("dialog[open] input"); i.value = "Kim"; i.form.querySelector("[value=named]").click()`)
	see("who sees to it", `document.body.innerText.includes("Kim sees to it")`)

	must(t, b.open(r.url+"/station/left"))
	see("a chart with readings", `document.getElementById("chart")?.dataset.step && document.getElementById("chart").ariaBusy !== "true"`)
	see("something drawn", `(() => { const c = document.querySelector("#chart canvas"); return c && c.getContext("2d").getImageData(0, 0, c.width, c.height).data.some((v) => v > 0) })()`)
	do(t, b, `const d = document.getElementById("chart").dataset; window.whole = d.to - d.from; document.querySelector("[data-chart=zoomIn]").click()`)
	see("the chart zoomed", `(({ from, to }) => to - from < window.whole * 0.9)(document.getElementById("chart").dataset)`)
}

func theWallFollows(t *testing.T, r *rig, see func(what, condition string)) {
	t.Helper()
	r.boards["left"].draw(0)
	see("a drop", `document.getElementById("station-left").classList.contains("danger")`)
	r.kill()
	see("a dead daemon", `!document.getElementById("silence").hidden`)
	r.start()
	see("the daemon again", `document.getElementById("silence").hidden`)
}

// await waits for a condition to hold in the page.
func await(t *testing.T, b remote, what, condition string) {
	t.Helper()
	var said string
	for end := time.Now().Add(within / 4); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		v, err := b.ask("return Boolean(" + condition + ")")
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		if said = string(v); said == "true" {
			return
		}
	}
	text, err := b.ask("return document.body.innerText")
	t.Fatalf("no %s (%s); the page says %.2000s %v", what, said, text, err)
}

func do(t *testing.T, b remote, body string) {
	t.Helper()
	if _, err := b.ask(body); err != nil {
		t.Fatalf("%s: %v", body, err)
	}
}
