package browser

import (
	"testing"
	"time"

	"benchvigil/internal/unit"
)

// The bounds are promises of the wall, not guesses of a test: a drop is seen
// within a second, and a dead daemon within three.
const (
	dropWithin    = time.Second
	silenceWithin = 3 * time.Second
)

// ofADeadDaemon is what a browser complains of when the daemon is gone.
var ofADeadDaemon = []string{"ERR_CONNECTION_REFUSED", "ERR_INCOMPLETE_CHUNKED_ENCODING", "ERR_CONNECTION_RESET", "htmx:sse:error", "Failed to fetch", "from the Manifest"}

func TestLive(t *testing.T) {
	r := newRig(t, "", "left", "right")
	wall := newTab(t)
	defer wall.close()
	wall.open(r.url + wallPath)
	for _, b := range r.boards {
		b.draw(412 * unit.Milliampere)
	}
	wall.wait("two runs", `document.querySelectorAll(".tile .uptime b").length === 2`)
	aDropShows(t, r, wall)
	aPhoneAcknowledges(t, r, wall)
	aDeadDaemonShows(t, r, wall)
	andHeals(t, r, wall)
}

func aDropShows(t *testing.T, r *rig, wall *tab) {
	t.Helper()
	if words := run[string](wall, `document.querySelector("#station-left.danger")?.innerText ?? ""`); words != "" {
		t.Fatalf("the tile shows a danger before there is one: %q", words)
	}
	wall.watch("drop", `document.getElementById("station-left").classList.contains("danger")`)
	cut := r.boards["left"].draw(0)
	took := wall.seen("drop").Sub(cut)
	t.Logf("the tile shows a drop %v after the cut", took.Round(time.Millisecond))
	if took > dropWithin {
		t.Errorf("a drop shows %v after the cut, want %v at most", took, dropWithin)
	}
}

func aPhoneAcknowledges(t *testing.T, r *rig, wall *tab) {
	t.Helper()
	wall.wait("the alert on the tile", `document.querySelector("#station-left .told.open")`)
	phone := newTab(t)
	phone.phone(390, 844)
	phone.open(r.url + "/m/left")
	const button = `[...document.querySelectorAll("button")].find((b) => b.checkVisibility() && b.innerText.startsWith("Acknowledge"))`
	phone.wait("the button", button)
	run[bool](phone, "("+button+".click(), true)")
	phone.wait("the question who it is", `document.querySelector("dialog[open] input")`)
	run[bool](phone, `(() => { const i = document.querySelector("dialog[open] input"); i.value = "Kim"; i.form.querySelector("[value=named]").click(); return true })()`)
	wall.wait("seen to", `document.querySelector("#station-left .told:not(.open)")?.innerText.includes("Kim sees to it")`)
	phone.close()
}

func aDeadDaemonShows(t *testing.T, r *rig, wall *tab) {
	t.Helper()
	wall.allow(ofADeadDaemon...)
	wall.watch("silence", `!document.getElementById("silence").hidden`)
	killed := time.Now()
	r.kill()
	took := wall.seen("silence").Sub(killed)
	t.Logf("the wall says so %v after the kill", took.Round(time.Millisecond))
	if took > silenceWithin {
		t.Errorf("the wall says so %v after the kill, want %v at most", took, silenceWithin)
	}
	if !run[bool](wall, `document.getElementById("silence").checkVisibility()`) {
		t.Error("it says so where nobody sees it")
	}
}

// The same program serves again, so the page stays the same document.
func andHeals(t *testing.T, r *rig, wall *tab) {
	t.Helper()
	run[bool](wall, `window.sameDocument = true`)
	r.start()
	wall.wait("news", `document.getElementById("silence").hidden`)
	wall.wait("the right station goes on", `document.querySelector("#station-right .uptime b")`)
	if !run[bool](wall, `window.sameDocument === true`) {
		t.Error("it loaded itself again, though the same program serves")
	}
}
