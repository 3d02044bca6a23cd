package browser

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/serviceworker"
	"github.com/chromedp/cdproto/target"
	"github.com/chromedp/chromedp"
	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap/zaptest"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/outlettest"
	"benchvigil/internal/alert/webpush"
	"benchvigil/internal/alert/webpush/webpushtest"
	"benchvigil/internal/bench"
	"benchvigil/internal/web"
)

// within bounds the whole test: a browser starts slowly on a busy computer.
const within = 8 * time.Minute

// chromium finds a browser, or skips.
func chromium(t *testing.T) string {
	t.Helper()
	if os.Getenv("BENCHVIGIL_BROWSER") == "" {
		t.Skip("a browser wants the computer for itself: run make test-browser")
	}
	for _, name := range []string{os.Getenv("BENCHVIGIL_CHROMIUM"), "chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); name != "" && err == nil {
			return path
		}
	}
	t.Skip("no Chromium: install one, or name it by BENCHVIGIL_CHROMIUM")
	return ""
}

// open starts a browser with a page, and lets the page show notifications.
func open(t *testing.T, url string) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), within)
	t.Cleanup(cancel)
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium(t)), chromedp.NoSandbox, chromedp.UserDataDir(t.TempDir()))
	for _, flag := range []string{"disable-gpu", "disable-quic", "disable-background-networking", "disable-component-update", "disable-sync", "no-first-run"} {
		options = append(options, chromedp.Flag(flag, true))
	}
	ctx, cancel = chromedp.NewExecAllocator(ctx, options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	must(t, chromedp.Do(ctx))
	for _, name := range []string{"notifications", "push"} {
		_, err := chromedp.CallBrowser(ctx, browser.SetPermission, browser.SetPermissionParams{
			Permission: &browser.PermissionDescriptor{Name: name, UserVisibleOnly: true}, Setting: "granted", Origin: url,
		})
		must(t, err)
	}
	_, err := chromedp.Call(ctx, serviceworker.Enable, cdp.Empty{})
	must(t, err)
	return ctx
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// evaluate runs a script in the page or worker of ctx and waits for its promise.
func evaluate[T any](ctx context.Context, t *testing.T, script string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
	must(t, err)
	return v
}

// rig is a bench with its page, and a phone subscribed at a push service that
// hands its messages to the test: the browser has no push service of its own.
type rig struct {
	outlet  *webpush.Outlet
	service *webpushtest.Service
	page    *httptest.Server
	phone   webpush.Phone
	acked   chan string
}

func newRig(t *testing.T) *rig {
	t.Helper()
	r := &rig{service: webpushtest.NewService(), acked: make(chan string, 10)}
	t.Cleanup(r.service.Close)
	outlet, err := webpush.New(t.Context(), webpush.Options{
		Name: "phones", Contact: "mailto:bench@example.com", Keep: &webpushtest.Memory{}, Plain: true,
		Acknowledge: func(_ context.Context, key, by string) error {
			r.acked <- key + " by " + by
			return nil
		},
	})
	must(t, err)
	t.Cleanup(outlet.Close)
	r.outlet = outlet
	site, err := web.New(web.Options{
		Bench: "north", Logger: zaptest.NewLogger(t), Snapshots: func() []bench.Snapshot { return nil },
		Push: &web.Push{Handler: outlet.Handler(), Phones: r.phones, Address: func() string { return "https://bench.example.com:8421" }},
	})
	must(t, err)
	r.page = httptest.NewServer(site.Handler())
	t.Cleanup(r.page.Close)
	r.subscribe(t)
	return r
}

func (r *rig) phones() (out []web.Phone) {
	for _, p := range r.outlet.Phones() {
		out = append(out, web.Phone{ID: p.ID, Person: p.Person, Device: p.Device, Since: p.Since, Sent: p.Sent, Arrived: p.Arrived, Trouble: p.Trouble})
	}
	return out
}

func (r *rig) subscribe(t *testing.T) {
	t.Helper()
	b, err := r.service.Subscribe()
	must(t, err)
	body, err := json.Marshal(map[string]any{"subscription": b.JSON(), "person": "Kim", "device": "Kim's phone"})
	must(t, err)
	q, err := http.NewRequestWithContext(t.Context(), http.MethodPost, r.page.URL+"/push/subscribe", bytes.NewReader(body))
	must(t, err)
	q.Header.Set("Content-Type", "application/json")
	a, err := r.page.Client().Do(q)
	must(t, err)
	defer a.Body.Close() //nolint:errcheck // read to its end
	text, err := io.ReadAll(a.Body)
	must(t, err)
	must(t, json.Unmarshal(text, &r.phone))
}

// push delivers a message and hands what reached the push service to the
// browser.
func (r *rig) push(ctx context.Context, t *testing.T, id serviceworker.RegistrationID, m *alert.Message) {
	t.Helper()
	must(t, r.outlet.Deliver(ctx, m))
	taken := r.service.Taken()
	r.deliver(ctx, t, id, string(taken[len(taken)-1].Plain))
}

func (r *rig) deliver(ctx context.Context, t *testing.T, id serviceworker.RegistrationID, data string) {
	t.Helper()
	_, err := chromedp.Call(ctx, serviceworker.DeliverPushMessage, serviceworker.DeliverPushMessageParams{Origin: r.page.URL + "/", RegistrationID: id, Data: data})
	must(t, err)
}

// arrived waits for the worker's report of a message.
func (r *rig) arrived(ctx context.Context, t *testing.T, key string) {
	t.Helper()
	for ctx.Err() == nil {
		if p := r.outlet.Phones()[0]; p.LastSeen == key {
			if p.Arrived.Before(p.Sent) {
				t.Errorf("arrived before it was sent: %+v", p)
			}
			return
		}
		_ = evaluate[int](ctx, t, `new Promise((done) => setTimeout(() => done(0), 50))`)
	}
	t.Fatalf("no report of %s: %+v", key, r.outlet.Phones())
}

// notification is one as the browser holds it.
type notification struct {
	Title, Body, Tag string
	Stays            bool
	Renotify         bool
	Silent           bool
	Actions          []string
}

func notifications(ctx context.Context, t *testing.T) []notification {
	t.Helper()
	return evaluate[[]notification](ctx, t, `navigator.serviceWorker.ready.then((r) => r.getNotifications()).then((all) => all.map((n) => ({
		Title: n.title, Body: n.body, Tag: n.tag, Stays: n.requireInteraction, Renotify: n.renotify, Silent: n.silent ?? false, Actions: n.actions.map((a) => a.title) })))`)
}

// registered waits for the worker of the page to be active.
func registered(ctx context.Context, t *testing.T, url string) serviceworker.RegistrationID {
	t.Helper()
	versions := chromedp.Events(ctx, serviceworker.WorkerVersionUpdated)
	must(t, chromedp.Do(ctx, chromedp.Navigate(url+"/phone")))
	for e, err := range versions {
		must(t, err)
		for _, v := range e.Versions {
			if v.Status == "activated" && v.ScriptURL == url+"/worker.js" {
				return v.RegistrationID
			}
		}
	}
	t.Fatal("no worker")
	return ""
}

// worker is the context of the worker itself.
func worker(ctx context.Context, t *testing.T) context.Context {
	t.Helper()
	infos, err := chromedp.Targets(ctx)
	must(t, err)
	for _, i := range infos {
		if i.Type == "service_worker" {
			in, cancel := chromedp.NewContext(ctx, chromedp.WithTargetID(target.ID(i.TargetID)))
			t.Cleanup(cancel)
			return in
		}
	}
	t.Fatal("the worker does not run")
	return nil
}

func TestPhone(t *testing.T) {
	chromium(t)
	r := newRig(t)
	ctx := open(t, r.page.URL)
	id := registered(ctx, t, r.page.URL)

	danger := outlettest.Message(alert.Raised)
	danger.To = ""
	r.push(ctx, t, id, danger)
	r.arrived(ctx, t, danger.Key)
	want := []notification{{
		Title: danger.Title(), Body: danger.Text() + "\n" + strings.Join(danger.Alert.Why, "\n"), Tag: danger.Alert.Key, Stays: true, Renotify: true,
		Actions: []string{"Acknowledge", "Open"},
	}}
	if d := cmp.Diff(want, notifications(ctx, t)); d != "" {
		t.Errorf("raised (-want +got):\n%s", d)
	}

	acknowledge(ctx, t)
	select {
	case got := <-r.acked:
		if got != danger.Alert.Key+" by Kim" {
			t.Errorf("acknowledged: %s", got)
		}
	case <-ctx.Done():
		t.Fatal("no acknowledgement")
	}

	over := outlettest.Message(alert.Returned)
	over.To, over.Alert.Severity = "", bench.Danger
	r.push(ctx, t, id, over)
	r.arrived(ctx, t, over.Key)
	got := notifications(ctx, t)
	if len(got) != 1 || got[0].Title != over.Title() || got[0].Stays || got[0].Renotify || len(got[0].Actions) != 1 {
		t.Errorf("when it is over it takes the place of the first, quietly: %+v", got)
	}

	// Once in some tens of runs the browser showed nothing of a message handed in
	// this way, for reasons of its own: it is handed in again.
	for i := 0; i < 10 && len(notifications(ctx, t)) < 2; i++ {
		r.deliver(ctx, t, id, "no JSON")
		for range 20 {
			_ = evaluate[int](ctx, t, `new Promise((done) => setTimeout(() => done(0), 50))`)
			if len(notifications(ctx, t)) >= 2 {
				break
			}
		}
	}
	if got := notifications(ctx, t); len(got) != 2 {
		t.Errorf("what cannot be read: %+v", got)
	}
}

// acknowledge presses the button of the notification that stands. A script
// cannot make the press wait for its end, so the worker complains; what it did
// counts.
func acknowledge(ctx context.Context, t *testing.T) {
	t.Helper()
	_ = evaluate[bool](worker(ctx, t), t, `registration.getNotifications().then(([n]) =>
		self.dispatchEvent(new NotificationEvent("notificationclick", { notification: n, action: "acknowledge" })))`)
}

// The page offers to subscribe, and says plainly what the browser answers. This
// browser has no push service: what a real one does is not known here.
func TestSubscribe(t *testing.T) {
	chromium(t)
	r := newRig(t)
	ctx := open(t, r.page.URL)
	registered(ctx, t, r.page.URL)
	must(t, chromedp.Do(ctx, chromedp.WaitVisible(chromedp.CSS("#subscribe button"))))
	if evaluate[bool](ctx, t, `document.getElementById("here").checkVisibility()`) {
		t.Error("it offers to end what has not begun")
	}
	_ = evaluate[bool](ctx, t, `(() => { const f = document.getElementById("subscribe"); f.elements.person.value = "Lee"; f.elements.device.value = "Lee's phone"; f.requestSubmit(); return true })()`)
	said := ""
	for (said == "" || strings.HasSuffix(said, "…")) && ctx.Err() == nil {
		said = evaluate[string](ctx, t, `document.getElementById("said").textContent`)
	}
	t.Logf("the browser answers: %q", said)
	if n := len(r.outlet.Phones()); strings.HasPrefix(said, "Subscribed") != (n == 2) || n == 1 && !strings.HasPrefix(said, "That did not work: ") {
		t.Errorf("it says %q, and %d phones have subscribed", said, n)
	}
	if file := os.Getenv("BENCHVIGIL_SCREENSHOT"); file != "" { // for people to look at
		must(t, chromedp.Do(ctx, chromedp.EmulateViewport(390, 844)))
		b, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
		must(t, err)
		must(t, os.WriteFile(file, b, 0o600))
	}
	_ = evaluate[bool](ctx, t, `(() => { document.querySelector("[data-remove]").click(); return true })()`)
	for said != "Removed." && ctx.Err() == nil {
		said = evaluate[string](ctx, t, `document.getElementById("said").textContent`)
	}
	if n := len(r.outlet.Phones()); n != 0 {
		t.Errorf("%d phones after the only one was removed", n)
	}
}
