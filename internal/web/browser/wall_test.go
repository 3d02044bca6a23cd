package browser

import (
	"fmt"
	"testing"
)

// What is read from four metres: its text is so high, in parts of the height of
// the screen. On one 68 cm high (55 inches) capitals of a twenty-seventh are 15
// minutes of arc there, of a fortieth 10.
var sizes = []struct {
	stations int
	part     float64 // of the height of the screen; 0: whatever fits
}{{1, 27}, {6, 27}, {12, 40}, {40, 0}}

// matters are the texts of a tile that are read from afar.
const matters = `[".tile > header h2", ".tile > header .state", ".tile .mode > span", ".tile .uptime b", ".tile .power b"]`

const (
	wide = 1920
	high = 1080
)

// The wall is read from afar: it scrolls nowhere, cuts nothing off, and what
// matters is high enough.
func TestWall(t *testing.T) {
	p := newTab(t)
	defer p.close()
	for _, size := range sizes {
		p.open(demo(t, "--states", "--stations", fmt.Sprint(size.stations)) + wallPath)
		for _, light := range []string{"light", "dark"} {
			p.features("prefers-color-scheme", light)
			p.checkWall(fmt.Sprintf("%d stations, %s", size.stations, light), size.part)
		}
	}
}

func (p *tab) checkWall(name string, part float64) {
	p.tb.Helper()
	if over := run[[]float64](p, overflow); over[0] > 0 || over[1] > 0 {
		p.tb.Errorf("%s: the wall is %g px too wide and %g px too high for %d × %d", name, over[0], over[1], wide, high)
	}
	for _, cut := range run[[]string](p, cutOff) {
		p.tb.Errorf("%s: %s", name, cut)
	}
	for _, low := range run[[]string](p, fmt.Sprintf(tooLow, matters, part, high)) {
		p.tb.Errorf("%s: %s", name, low)
	}
}

// cutOff lists texts of tiles that are not seen whole. A list that gives way by
// whole lines is no text cut off: its lines are looked at one by one, and those
// that have wrapped away are left out.
const cutOff = `(() => {
	const out = [], close = 1.5;
	for (const tile of document.querySelectorAll(".tile")) {
		const box = tile.getBoundingClientRect();
		for (const e of tile.querySelectorAll("*")) {
			if (!e.checkVisibility() || e.closest("svg") || e.closest(".unseen")) continue;
			if (![...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim())) continue;
			const r = e.getBoundingClientRect();
			if (r.left >= box.right || r.top >= box.bottom) continue; // wrapped away
			const style = getComputedStyle(e);
			if (style.textOverflow === "ellipsis" || style.webkitLineClamp !== "none") continue; // it says that it is cut
			if (style.display !== "inline" && (e.scrollWidth - e.clientWidth > close || e.scrollHeight - e.clientHeight > close + 3))
				out.push(tile.id + ": " + JSON.stringify(e.innerText) + " needs " + e.scrollWidth + " × " + e.scrollHeight + " px and has " + e.clientWidth + " × " + e.clientHeight);
			else if (r.right > box.right + close || r.bottom > box.bottom + close || r.left < box.left - close)
				out.push(tile.id + ": " + JSON.stringify(e.innerText) + " stands out of the tile");
		}
	}
	return out })()`

// tooLow lists texts that are less high than a part of the screen.
const tooLow = `(() => {
	const [all, part, screen] = [%s, %g, %d], out = {};
	if (!part) return [];
	for (const one of all) {
		const found = [...document.querySelectorAll(one)].filter((e) => e.checkVisibility());
		if (!found.length) out[one] = one + " is nowhere";
		for (const e of found) {
			const size = parseFloat(getComputedStyle(e).fontSize);
			if (size < screen / part - 0.05) out[one] ??= one + ", " + JSON.stringify(e.innerText) + ", is " + size.toFixed(1) + " px high, want " + (screen / part).toFixed(1);
		}
	}
	return Object.values(out) })()`
