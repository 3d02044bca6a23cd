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
	for _, over := range run[[]string](p, offScreen) {
		p.tb.Errorf("%s: %s", name, over)
	}
	for _, cut := range run[[]string](p, cutOff) {
		p.tb.Errorf("%s: %s", name, cut)
	}
	whole := matters + `.concat(".tile .wait > span", ".tile .window", ".tile .end b", ".tile .told > span", ".tile:not(:has(.power small)) .trouble", ".tile .power span", ".tile .hands b", ".tile .uptime small")`
	if part == 0 { // names may end in an ellipsis, and windows give way
		whole = matters + `.filter((s) => !s.endsWith("h2"))`
	}
	for _, cut := range run[[]string](p, fmt.Sprintf(cutShort, whole)) {
		p.tb.Errorf("%s: %s", name, cut)
	}
	for _, low := range run[[]string](p, fmt.Sprintf(tooLow, matters, part, high)) {
		p.tb.Errorf("%s: %s", name, low)
	}
}

// offScreen lists what nobody sees without scrolling. A screen without scroll bars
// may be shifted by a few pixels, so that nothing burns in.
const offScreen = `(() => {
	const out = [], close = 6, page = document.documentElement;
	if (getComputedStyle(document.body).overflowY !== "hidden" && (page.scrollWidth > page.clientWidth || page.scrollHeight > page.clientHeight))
		out.push("it scrolls: " + page.scrollWidth + " × " + page.scrollHeight + " px");
	for (const e of document.querySelectorAll(".tile, body > header, body > footer")) {
		const r = e.getBoundingClientRect();
		if (r.left < -close || r.top < -close || r.right > innerWidth + close || r.bottom > innerHeight + close) out.push((e.id || e.tagName) + " is not on the screen");
	}
	return out })()`

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
			let short = false; // and says so
			for (let by = e; by !== tile; by = by.parentElement) short ||= getComputedStyle(by).textOverflow === "ellipsis" || getComputedStyle(by).webkitLineClamp !== "none";
			if (short) continue;
			if (style.display !== "inline" && (e.scrollWidth - e.clientWidth > close || e.scrollHeight - e.clientHeight > close + 3))
				out.push(tile.id + ": " + JSON.stringify(e.innerText) + " needs " + e.scrollWidth + " × " + e.scrollHeight + " px and has " + e.clientWidth + " × " + e.clientHeight);
			else if (r.right > box.right + close || r.bottom > box.bottom + close || r.left < box.left - close)
				out.push(tile.id + ": " + JSON.stringify(e.innerText) + " stands out of the tile");
		}
	}
	return out })()`

// cutShort lists what matters and is cut short, with an ellipsis or without.
const cutShort = `(() => {
	const out = [], close = 1.5;
	for (const e of document.querySelectorAll(%s.join())) {
		if (!e.checkVisibility() || !e.innerText) continue;
		const all = document.createRange();
		all.selectNodeContents(e);
		const r = all.getBoundingClientRect();
		for (let by = e; by && !by.matches(".wall, .grid"); by = by.parentElement) {
			const b = by.getBoundingClientRect();
			if (getComputedStyle(by).overflowX === "hidden" && (r.right > b.right + close || r.bottom > b.bottom + 0.3 * parseFloat(getComputedStyle(e).fontSize))) {
				out.push(e.closest(".tile").id + ": " + JSON.stringify(e.innerText) + " is cut short by " + (by.className || by.tagName));
				break;
			}
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
