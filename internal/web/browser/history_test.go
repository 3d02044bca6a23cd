package browser

import (
	"os"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/unit"
)

// Two runs of a board, of which the second draws less and drops sooner, are found
// in the history, ticked, and laid on each other.
func TestHistory(t *testing.T) {
	r := newRig(t, "", "left")
	p := newTab(t)
	defer p.close()
	for _, one := range []struct {
		amps  unit.Current
		lasts time.Duration
	}{{412 * unit.Milliampere, 7 * time.Second}, {150 * unit.Milliampere, 5 * time.Second}} {
		r.boards["left"].draw(one.amps)
		time.Sleep(one.lasts) // of the run: what there is to be compared
		r.boards["left"].draw(0)
		time.Sleep(3 * time.Second) // of the drop, until it is certain
	}

	p.open(r.url + "/history")
	p.wait("two runs that dropped", `document.querySelectorAll(".picked .ended.danger").length === 2`)
	const button = `document.querySelector(".picked button")`
	if !run[bool](p, button+".disabled") {
		t.Error("what is not ticked can be compared")
	}
	run[bool](p, `(() => { for (const b of [...document.querySelectorAll("[name=run]")].reverse()) b.click(); setTimeout(() => `+button+`.click()); return true })()`)
	p.wait("the chart of both", `location.pathname === "/history/compare" && /1: .*A.*2: .*A/.test(document.getElementById("chart")?.ariaLabel)`)
	label := run[string](p, `document.getElementById("chart").ariaLabel`)
	if strings.Contains(label, "no readings") {
		t.Errorf("a run is not drawn: %q", label)
	}
	words := run[string](p, `document.querySelector("main").innerText`)
	if !strings.Contains(words, "They part 0 s after the start") && !strings.Contains(words, "They part 1 s after the start") {
		t.Errorf("it does not say where they part: %q", words)
	}
	if d := os.Getenv("BENCHVIGIL_SCREENSHOTS"); d != "" {
		p.take(d+"/compare.png", &screen{whole: true})
	}
	p.press("Zoom in")
	p.wait("the chart zoomed", `/ to /.test(document.getElementById("range").innerText) && !document.getElementById("range").innerText.startsWith("0:00")`)
}
