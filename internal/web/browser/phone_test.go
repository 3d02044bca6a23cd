package browser

import (
	"fmt"
	"testing"

	cdp "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"benchvigil/internal/unit"
)

// What a phone needs at the bench: targets for a thumb in a glove (WCAG 2.2, 2.5.8,
// asks 24 px; this is ours), and contrast in sunlight (1.4.6, for large and bold text
// 4.5, else 7).
const (
	thumb  = 48 // px
	strong = 7.0
	large  = 4.5
)

// smallTargets lists what can be pressed and is too low, but for links in sentences.
const smallTargets = `[...document.querySelectorAll("main button, main a, main summary, main input, .thumb button, .bar button")]
	.filter((e) => e.checkVisibility({ visibilityProperty: true }) && !e.closest("p, .why, .cautions, dialog") && e.getBoundingClientRect().height < %d - 0.5)
	.map((e) => e.tagName + " " + JSON.stringify(e.innerText) + " is " + e.getBoundingClientRect().height.toFixed(1) + " px high")`

// faint lists texts with too little contrast to what they stand on.
const faint = `(() => {
	const parse = (c) => (c.match(/[\d.]+/g) ?? []).map(Number);
	const light = ([r, g, b]) => [r, g, b].map((v) => v / 255).map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)).reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
	const ground = (e) => { for (let by = e; by; by = by.parentElement) { const c = parse(getComputedStyle(by).backgroundColor); if (c.length === 3 || c[3] === 1) return c; } return [255, 255, 255]; };
	const out = new Set();
	for (const e of document.querySelectorAll("main *, .top *")) {
		if (!e.checkVisibility() || e.closest("svg, .unseen, :disabled") || ![...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim())) continue;
		const s = getComputedStyle(e), [a, b] = [light(parse(s.color)), light(ground(e))].sort((x, y) => y - x);
		const ratio = (a + 0.05) / (b + 0.05), px = parseFloat(s.fontSize);
		const want = px >= 24 || (px >= 18.66 && Number(s.fontWeight) >= 700) ? %g : %g;
		if (ratio < want) out.add(JSON.stringify(e.innerText.slice(0, 40)) + " has " + ratio.toFixed(2) + ", want " + want);
	}
	return [...out] })()`

func TestPhone(t *testing.T) {
	r := newRig(t, "", "left")
	r.boards["left"].draw(412 * unit.Milliampere)
	p := newTab(t)
	defer p.close()
	p.allow("from the Manifest") // its icon is asked for while the next page is opened
	p.features("prefers-color-scheme", "light")
	for _, size := range [][2]int64{{320, 700}, {390, 844}} {
		p.phone(size[0], size[1])
		for _, url := range []string{r.url + "/m", r.url + "/m/left", demo(t, "--states", "--stations", "12") + "/m", demo(t, "--states") + "/m/s-2"} {
			p.open(url)
			p.wait("the page", `document.querySelector("main")`)
			run[bool](p, `(document.documentElement.classList.add("light"), true)`)
			for _, one := range run[[]string](p, fmt.Sprintf(smallTargets, thumb)) {
				t.Errorf("%s, %d px wide: %s", url, size[0], one)
			}
			for _, one := range run[[]string](p, fmt.Sprintf(faint, large, strong)) {
				t.Errorf("%s, %d px wide: %s", url, size[0], one)
			}
		}
	}
	m, err := chromedp.Call(p.ctx, cdp.GetAppManifest, cdp.GetAppManifestParams{})
	must(t, err)
	if len(m.Errors) > 0 || m.URL == "" {
		t.Errorf("the manifest %q has errors: %v", m.URL, m.Errors)
	}
}
