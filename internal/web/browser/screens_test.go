package browser

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// screen is a picture for people to look at.
type screen struct {
	name, url     string
	width, height int64
	whole         bool              // also what lies below the edge of the screen
	before        string            // a script that brings the page where it is to be looked at
	lit           map[string]string // what the address ends in, where the page itself knows day and night
}

// byClock makes the wall bright or dimmed, whatever the clock says.
var byClock = map[string]string{"day": "?night=off", "night": "?night=on"}

// lived is how long the simulated bench plays before pictures are taken, so that
// charts are full: ten minutes of the bench.
const (
	lived     = 20 * time.Second
	livedFast = "30" // times as fast
)

// Pictures of every page, by day and by night, into the folder that
// BENCHVIGIL_SCREENSHOTS names.
//
//	make screenshots
func TestScreenshots(t *testing.T) {
	dir := os.Getenv("BENCHVIGIL_SCREENSHOTS")
	if dir == "" {
		t.Skip("pictures are for people: run make screenshots")
	}
	must(t, os.MkdirAll(dir, 0o750))
	for _, s := range screens(t) {
		p := newTab(t)
		for _, light := range []string{"day", "night"} {
			p.features("prefers-color-scheme", map[string]string{"day": "light", "night": "dark"}[light])
			if s.width < 600 {
				p.phone(s.width, s.height)
			} else {
				p.size(s.width, s.height)
			}
			if code := p.load(s.url + s.lit[light]); code != 200 {
				t.Errorf("%s: status %d", s.name, code)
				break
			}
			file := filepath.Join(dir, fmt.Sprintf("%s-%d-%s.png", s.name, s.width, light))
			p.take(file, &s)
			t.Log(file)
		}
		p.close()
	}
	p := newTab(t)
	defer p.close()
	p.takeSilence(filepath.Join(dir, "wall-silent-1920-night.png"))
}

// takeSilence is the wall after its daemon has died.
func (p *tab) takeSilence(file string) {
	p.tb.Helper()
	p.allow(ofADeadDaemon...)
	r := newRig(p.tb, "", "left", "right")
	p.size(wide, high)
	p.open(r.url + wallPath)
	r.kill()
	p.wait("silence", `!document.getElementById("silence").hidden`)
	p.take(file, &screen{})
	p.tb.Log(file)
}

func (p *tab) take(file string, s *screen) {
	p.tb.Helper()
	_ = run[bool](p, `new Promise((done) => setTimeout(() => done(true), 1200))`) // what is live has come
	if s.before != "" {
		run[bool](p, "("+s.before+", true)")
		_ = run[bool](p, `new Promise((done) => setTimeout(() => done(true), 800))`)
	}
	picture := chromedp.CaptureScreenshot()
	if s.whole {
		picture = chromedp.FullScreenshot(100)
	}
	b, err := chromedp.Run(p.ctx, picture)
	must(p.tb, err)
	must(p.tb, os.WriteFile(file, b, 0o600))
}

func screens(tb testing.TB) []screen {
	tb.Helper()
	played := demo(tb, "--stations", "8", "--speed", livedFast, "--data", tb.TempDir())
	began := time.Now()
	var out []screen
	for _, n := range []string{"1", "6", "12", "40"} {
		out = append(out, screen{name: "wall-" + n, url: demo(tb, "--states", "--stations", n) + wallPath, width: wide, height: high, lit: byClock})
	}
	states := demo(tb, "--states")
	for _, n := range []string{"6", "12"} {
		out = append(out, screen{name: "desk-" + n, url: demo(tb, "--states", "--stations", n) + "/", width: wide, height: high})
	}
	out = append(out,
		screen{name: "states", url: states + "/dev/states", width: wide, height: high, whole: true},
		screen{name: "alerts", url: states + "/alerts", width: 390, height: 844, whole: true},
		screen{name: "alerts", url: states + "/alerts", width: 1280, height: 900, whole: true},
	)
	for _, width := range []int64{320, 390} {
		out = append(out,
			screen{name: "phone", url: states + "/m", width: width, height: 844},
			screen{name: "phone-station", url: states + "/m/s-2", width: width, height: 844},
		)
	}
	out = append(out, screen{name: "wall-played", url: played + wallPath, width: wide, height: high, lit: byClock})
	const zoomed = `(() => { for (let i = 0; i < 6; i++) document.getElementById("chart").dispatchEvent(new KeyboardEvent("keydown", { key: "+", bubbles: true })) })()`
	out = append(out,
		screen{name: "desk-played", url: played + "/", width: wide, height: high},
		screen{name: "station", url: played + "/station/s2", width: 1280, height: 900, whole: true},
		screen{name: "station", url: played + "/station/s2", width: 390, height: 844, whole: true},
		screen{name: "station-zoomed", url: played + "/station/s2", width: 1280, height: 900, before: zoomed},
	)
	time.Sleep(max(0, lived-time.Since(began)))
	compared := played + comparePath(tb, played)
	for _, width := range []int64{1280, 390} {
		out = append(out,
			screen{name: "history", url: played + "/history", width: width, height: 900, whole: true},
			screen{name: "compare", url: compared, width: width, height: 900, whole: true},
		)
	}
	return out
}
