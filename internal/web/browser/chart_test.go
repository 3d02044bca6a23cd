package browser

import (
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"benchvigil/internal/unit"
)

// extent is what the chart of a station's page shows, as it says itself by
// data-from and data-to, in Unix ms, and data-step, the width of one column in
// ms, or 0 where every reading is drawn.
type extent struct{ From, To, Step float64 }

func (e extent) length() time.Duration { return time.Duration(e.To-e.From) * time.Millisecond }

const chartExtent = `(({ from, to, step }) => from && to && { From: Number(from), To: Number(to), Step: Number(step) })(document.getElementById("chart")?.dataset ?? {})`

// becomes waits for the extent of the chart to be as wanted.
func (p *tab) becomes(what string, ok func(extent) bool) extent {
	p.tb.Helper()
	var last extent
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if last = until[extent](p, "the chart", chartExtent); ok(last) {
			return last
		}
	}
	p.tb.Fatalf("%s: the chart shows %v in steps of %g ms", what, last.length(), last.Step)
	return last
}

// A chart is zoomed by the wheel, by keys and by buttons; so near that every
// reading is drawn; and is whole again.
func TestChart(t *testing.T) {
	r := newRig(t, "", "left")
	r.boards["left"].draw(412 * unit.Milliampere)
	time.Sleep(6 * time.Second) // of readings: what there is to be zoomed
	p := newTab(t)
	defer p.close()
	p.open(r.url + "/station/left")
	p.wait("readings in the chart", `document.getElementById("chart")?.dataset.step && document.getElementById("chart").ariaBusy !== "true"`)
	whole := p.becomes("at first", func(extent) bool { return true })
	shorter := func(than extent) func(extent) bool {
		return func(e extent) bool { return e.length() < than.length()*9/10 }
	}

	box := run[[]float64](p, `(() => { const b = document.getElementById("chart").getBoundingClientRect(); return [b.x + b.width / 2, b.y + b.height / 3] })()`)
	must(t, chromedp.Do(p.ctx, wheel(box[0], box[1], -240)))
	now := p.becomes("by the wheel", shorter(whole))

	run[bool](p, `(() => { const c = document.getElementById("chart"); (c.tabIndex >= 0 ? c : c.querySelector("[tabindex], button")).focus(); return true })()`)
	for range 60 {
		if now.Step == 0 && now.length() <= 2*time.Second {
			break
		}
		must(t, chromedp.Do(p.ctx, chromedp.KeyEvent("+")))
		now = p.becomes("by the key +", shorter(now))
	}
	if now.Step != 0 {
		t.Errorf("%v in columns of %g ms, want every reading", now.length(), now.Step)
	}
	before := now
	must(t, chromedp.Do(p.ctx, chromedp.KeyEvent(kb.ArrowLeft)))
	p.becomes("by the left arrow", func(e extent) bool { return e.From < before.From })
	must(t, chromedp.Do(p.ctx, chromedp.KeyEvent("-")))
	now = p.becomes("by the key -", func(e extent) bool { return e.length() > before.length() })

	p.press("Zoom in")
	now = p.becomes("by its button", shorter(now))
	p.press("Whole")
	p.becomes("whole again", func(e extent) bool { return e.length() >= whole.length() })
}

// press presses the button that is called so.
func (p *tab) press(name string) {
	p.tb.Helper()
	script := fmt.Sprintf(`[...document.querySelectorAll("button, [role=button], summary")].find((b) => b.checkVisibility() && (b.ariaLabel ?? b.innerText).trim().startsWith(%q))`, name)
	p.wait("a button "+name, script)
	run[bool](p, "("+script+".click(), true)")
}
