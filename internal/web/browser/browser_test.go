package browser

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// within bounds one test: a browser is slow on a busy computer. No test waits
// that long unless something is wrong.
const within = 2 * time.Minute

// chromium is the one browser of all tests: each has tabs of its own.
var chromium struct {
	once sync.Once
	ctx  context.Context
	err  error
	stop func()
}

func TestMain(m *testing.M) {
	code := m.Run()
	if chromium.stop != nil {
		chromium.stop()
	}
	if builtIn != "" {
		_ = os.RemoveAll(builtIn)
	}
	os.Exit(code)
}

// wanted skips where nobody asked for a browser.
func wanted(tb testing.TB) {
	tb.Helper()
	if os.Getenv("BENCHVIGIL_BROWSER") == "" {
		tb.Skip("a browser wants the computer for itself: run make test-browser")
	}
}

// theBrowser starts it with the first test.
func theBrowser(tb testing.TB) context.Context {
	tb.Helper()
	wanted(tb)
	chromium.once.Do(func() { chromium.ctx, chromium.stop, chromium.err = start() })
	if chromium.err != nil {
		tb.Fatal(chromium.err)
	}
	return chromium.ctx
}

func start() (context.Context, func(), error) {
	path, err := found()
	if err != nil {
		return nil, nil, err
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox)
	for _, flag := range []string{"disable-gpu", "disable-quic", "disable-background-networking", "disable-component-update", "disable-sync", "no-first-run", "ignore-certificate-errors"} {
		options = append(options, chromedp.Flag(flag, true))
	}
	ctx, end := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, _ = chromedp.NewContext(ctx)
	stop := func() {
		_ = chromedp.Cancel(ctx)
		end()
	}
	return ctx, stop, chromedp.Do(ctx)
}

func found() (string, error) {
	for _, name := range []string{os.Getenv("BENCHVIGIL_CHROMIUM"), "chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); name != "" && err == nil {
			return path, nil
		}
	}
	return "", errors.New("no Chromium: install one, or name it by BENCHVIGIL_CHROMIUM")
}

func must(tb testing.TB, err error) {
	tb.Helper()
	if err != nil {
		tb.Fatal(err)
	}
}

// tab is one page of the browser. It notes what a page must never do: complain,
// or ask another computer for something.
type tab struct {
	tb  testing.TB
	ctx context.Context

	close func() // judges it too

	mu      sync.Mutex
	noted   []string // what went wrong
	allowed []string // parts of complaints that a test brings about
}

// newTab opens one. What its pages did wrong fails the test at its end.
func newTab(tb testing.TB) *tab {
	tb.Helper()
	ctx, cancel := context.WithTimeout(theBrowser(tb), within)
	ctx, stop := chromedp.NewContext(ctx)
	p := &tab{tb: tb, ctx: ctx}
	must(tb, chromedp.Do(ctx))
	var watching sync.WaitGroup
	console, requests := chromedp.Console(ctx), chromedp.Events(ctx, network.RequestWillBeSent)
	watching.Go(func() {
		for m, err := range console {
			if err == nil && (m.Type == chromedp.ConsoleError || m.Type == chromedp.ConsoleWarning || m.IsException()) {
				p.note("the console of %s says: %v", m.URL, m)
			}
		}
	})
	watching.Go(func() {
		for r, err := range requests {
			if err == nil && !own(r.Request.URL) {
				p.note("it asks another computer: %s", r.Request.URL)
			}
		}
	})
	p.close = sync.OnceFunc(func() {
		stop()
		cancel()
		watching.Wait()
		p.judge()
	})
	tb.Cleanup(p.close)
	p.size(1920, 1080)
	return p
}

// own reports an address of this computer, or of none.
func own(address string) bool {
	u, err := url.Parse(address)
	return err == nil && (u.Scheme == "data" || u.Scheme == "blob" || u.Hostname() == "127.0.0.1" || u.Hostname() == "localhost")
}

func (p *tab) note(format string, args ...any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.noted = append(p.noted, fmt.Sprintf(format, args...))
}

// allow takes complaints with such a part for what the test is about.
func (p *tab) allow(part ...string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.allowed = append(p.allowed, part...)
}

func (p *tab) judge() {
	for _, w := range p.noted {
		if !p.expected(w) {
			p.tb.Error(w)
		}
	}
}

func (p *tab) expected(w string) bool {
	for _, a := range p.allowed {
		if strings.Contains(w, a) {
			return true
		}
	}
	return false
}

// overflow is how far a page that can be scrolled stands out of the screen, and
// animations how many of them run.
const (
	overflow   = `(() => { const e = document.documentElement; return getComputedStyle(document.body).overflowY === "hidden" ? [0, 0] : [e.scrollWidth - e.clientWidth, e.scrollHeight - e.clientHeight] })()`
	animations = `document.getAnimations().filter((a) => a.playState === "running").length`
)

func (p *tab) size(width, height int64) {
	p.tb.Helper()
	must(p.tb, chromedp.Do(p.ctx, chromedp.EmulateViewport(width, height)))
}

// phone makes it one: a small screen that is touched.
func (p *tab) phone(width, height int64) {
	p.tb.Helper()
	must(p.tb, chromedp.Do(p.ctx, chromedp.EmulateViewport(width, height, chromedp.EmulateMobile, chromedp.EmulateTouch)))
}

// features sets media features, such as "prefers-color-scheme", "dark".
func (p *tab) features(pairs ...string) {
	p.tb.Helper()
	var all []*emulation.MediaFeature
	for i := 0; i+1 < len(pairs); i += 2 {
		all = append(all, &emulation.MediaFeature{Name: pairs[i], Value: pairs[i+1]})
	}
	_, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: all})
	must(p.tb, err)
}

// open loads a page, which must be there.
func (p *tab) open(address string) {
	p.tb.Helper()
	if code := p.load(address); code != 200 {
		p.tb.Fatalf("%s: status %d, want 200", address, code)
	}
}

// load loads a page and returns its status.
func (p *tab) load(address string) int64 {
	p.tb.Helper()
	r, err := chromedp.Run(p.ctx, chromedp.NavigateResponse(address))
	if err != nil {
		p.tb.Fatalf("%s: %v", address, err)
	}
	return r.Status
}

// run runs a script and waits for its promise.
func run[T any](p *tab, script string) T {
	p.tb.Helper()
	v, err := chromedp.Run(p.ctx, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
	if err != nil {
		p.tb.Fatalf("%s: %v", script, err)
	}
	return v
}

// until waits for a script to say something true, and returns it.
func until[T any](p *tab, what, script string) T {
	p.tb.Helper()
	poll := chromedp.Poll[T](script, chromedp.WithPollingInterval(50*time.Millisecond), chromedp.WithPollingTimeout(within/2))
	v, err := chromedp.Run(p.ctx, poll)
	for range 10 {
		if !replaced(err) {
			break
		}
		v, err = chromedp.Run(p.ctx, poll)
	}
	if err != nil {
		p.tb.Fatalf("%s: %v; the page says %.2000q", what, err, run[string](p, `document.body?.innerText ?? ""`))
	}
	return v
}

// replaced reports that a script was ended since another document took the place
// of its own.
func replaced(err error) bool {
	return err != nil && (strings.Contains(err.Error(), "Cannot find context") || strings.Contains(err.Error(), "Inspected target navigated"))
}

// wait waits for a condition.
func (p *tab) wait(what, condition string) {
	p.tb.Helper()
	until[bool](p, what, "Boolean("+condition+")")
}

// watch notes the moment, by the clock of this computer, at which a condition
// first holds: it is looked at whenever something changes in the page.
func (p *tab) watch(name, condition string) {
	p.tb.Helper()
	run[bool](p, fmt.Sprintf(`(() => {
		const look = () => { if (window[%[1]q] === undefined && (%[2]s)) window[%[1]q] = Date.now() };
		new MutationObserver(look).observe(document, { subtree: true, childList: true, attributes: true, characterData: true });
		look();
		return true })()`, "seen "+name, condition))
}

// seen waits for a watched condition and returns its moment.
func (p *tab) seen(name string) time.Time {
	p.tb.Helper()
	ms := until[float64](p, name, fmt.Sprintf(`window[%q]`, "seen "+name))
	return time.UnixMilli(int64(ms))
}

// wheel turns it at a place of the page.
func wheel(x, y, by float64) chromedp.Action[chromedp.Void] {
	return chromedp.MouseEvent(input.DispatchMouseEventTypeMouseWheel, x, y, func(e *input.DispatchMouseEventParams) {
		e.DeltaX, e.DeltaY = 0.01, by // both are required, and 0 is left out
	})
}
