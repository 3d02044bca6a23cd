package webpush_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/outlettest"
	"benchvigil/internal/alert/webpush"
	"benchvigil/internal/alert/webpush/webpushtest"
	"benchvigil/internal/bench"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var night = time.Date(2026, 3, 2, 2, 58, 12, 0, time.UTC)

// message is a drop on an invented board.
func message(key, to string) *alert.Message {
	return &alert.Message{
		Key: key, Deed: alert.Raised, Bench: "north", To: to, Link: "https://bench.example.com/alerts/s-1.dropped.1", Made: night,
		Alert: bench.AlertView{Alert: bench.Alert{
			Key: "s-1.dropped.1", Kind: bench.AlertDropped, Severity: bench.Danger, Station: "s-1", Since: night,
			Title: "Wren 7 dropped 02:58:12", Text: "Restoring was under way. Look at the connector.",
			Why: []string{"0.00 mA for 0.2 s, 412 mA before"}, Do: "Look at the connector",
		}},
	}
}

// rig is an outlet beside a push service.
type rig struct {
	t       *testing.T
	service *webpushtest.Service
	store   *webpushtest.Memory
	options webpush.Options
	outlet  *webpush.Outlet
	gone    []webpush.Phone
	acked   []string
	refuse  error // of acknowledgements
}

func newRig(t *testing.T) *rig {
	t.Helper()
	r := &rig{t: t, service: webpushtest.NewService(), store: &webpushtest.Memory{}}
	t.Cleanup(r.service.Close)
	r.options = webpush.Options{
		Name: "phones", Contact: "mailto:bench@example.com", Keep: r.store, Plain: true, Timeout: 5 * time.Second,
		Gone: func(p webpush.Phone) { r.gone = append(r.gone, p) },
		Acknowledge: func(_ context.Context, key, by string) error {
			r.acked = append(r.acked, key+" by "+by)
			return r.refuse
		},
	}
	r.restart()
	return r
}

// restart makes the outlet again from the store.
func (r *rig) restart() {
	r.t.Helper()
	o, err := webpush.New(r.t.Context(), r.options)
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(o.Close)
	r.outlet = o
}

// post asks the phone's side.
func (r *rig) post(path string, body any, header ...string) (int, string) {
	r.t.Helper()
	b, err := json.Marshal(body)
	if err != nil {
		r.t.Fatal(err)
	}
	return r.ask(http.MethodPost, path, b, header...)
}

func (r *rig) ask(method, path string, body []byte, header ...string) (int, string) {
	r.t.Helper()
	q := httptest.NewRequestWithContext(r.t.Context(), method, "http://localhost:8420"+path, bytes.NewReader(body))
	q.Header.Set("Content-Type", "application/json")
	for i := 0; i < len(header); i += 2 {
		q.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	r.outlet.Handler().ServeHTTP(w, q)
	return w.Code, w.Body.String()
}

// subscribe is what a phone does.
func (r *rig) subscribe(person, device string) (*webpushtest.Browser, webpush.Phone) {
	r.t.Helper()
	b, err := r.service.Subscribe()
	if err != nil {
		r.t.Fatal(err)
	}
	code, text := r.post("/push/subscribe", map[string]any{"subscription": b.JSON(), "person": person, "device": device})
	var p webpush.Phone
	if err := json.Unmarshal([]byte(text), &p); code != http.StatusOK || err != nil {
		r.t.Fatalf("subscribe: %d %s", code, text)
	}
	return b, p
}

func (r *rig) phone(id string) webpush.Phone {
	r.t.Helper()
	for _, p := range r.outlet.Phones() {
		if p.ID == id {
			return p
		}
	}
	r.t.Fatalf("no phone %s", id)
	return webpush.Phone{}
}

// takenBy are the keys of what reached a browser.
func (r *rig) takenBy(b *webpushtest.Browser) (keys []string) {
	r.t.Helper()
	for _, err := range r.service.Faults() {
		r.t.Errorf("the push service refuses: %v", err)
	}
	for _, m := range r.service.Taken() {
		var p struct{ Key string }
		if err := json.Unmarshal(m.Plain, &p); err != nil {
			r.t.Fatal(err)
		}
		if m.Browser == b {
			keys = append(keys, p.Key)
		}
	}
	return keys
}

func TestDeliver(t *testing.T) {
	r := newRig(t)
	_, phone := r.subscribe("Kim", "Kim's phone")
	if err := r.outlet.Deliver(t.Context(), message("m-1", "")); err != nil {
		t.Fatal(err)
	}
	if len(r.service.Faults()) != 0 || len(r.service.Taken()) != 1 {
		t.Fatalf("taken %d, wrong: %v", len(r.service.Taken()), r.service.Faults())
	}
	got := r.service.Taken()[0]
	want := map[string]any{
		"key": "m-1", "alert": "s-1.dropped.1", "phone": phone.ID, "deed": "raised", "severity": "danger", "title": "Wren 7 dropped 02:58:12",
		"text": "Restoring was under way. Look at the connector.", "do": "Look at the connector", "why": []any{"0.00 mA for 0.2 s, 412 mA before"},
		"bench": "north", "link": "https://bench.example.com/alerts/s-1.dropped.1", "made": float64(night.UnixMilli()),
	}
	var said map[string]any
	if err := json.Unmarshal(got.Plain, &said); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, said); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	for name, want := range map[string]string{"Urgency": "high", "Ttl": "86400", "Content-Type": "application/octet-stream"} {
		if h := got.Header.Get(name); h != want {
			t.Errorf("%s: %q, want %q", name, h, want)
		}
	}
	if got.Size != 86+1024+17 {
		t.Errorf("a body of %d bytes is not padded", got.Size)
	}
	if p := r.phone(phone.ID); p.Sent.IsZero() || p.LastSent != "m-1" || !p.Arrived.IsZero() {
		t.Errorf("taken by the push service only: %+v", p)
	}
}

// A later message about an alert replaces the earlier one at the push service.
func TestTopic(t *testing.T) {
	r := newRig(t)
	r.subscribe("Kim", "phone")
	other := message("m-3", "")
	other.Alert.Key = "s-2.stalled.1"
	for _, m := range []*alert.Message{message("m-1", ""), message("m-2", ""), other} {
		if err := r.outlet.Deliver(t.Context(), m); err != nil {
			t.Fatal(err)
		}
	}
	taken := r.service.Taken()
	if len(taken) != 3 || taken[0].Header.Get("Topic") != taken[1].Header.Get("Topic") || taken[0].Header.Get("Topic") == taken[2].Header.Get("Topic") {
		t.Errorf("topics do not tell alerts apart: %v", r.service.Faults())
	}
}

func TestUrgency(t *testing.T) {
	r := newRig(t)
	r.subscribe("Kim", "phone")
	for i, c := range []struct {
		severity bench.Severity
		deed     alert.Deed
		urgency  string
		lifetime string
	}{
		{bench.Danger, alert.Raised, "high", "86400"},
		{bench.Danger, alert.Changed, "high", "86400"}, // it may replace one that has not arrived
		{bench.Danger, alert.Taken, "low", "86400"},
		{bench.Caution, alert.Raised, "normal", "86400"},
		{bench.Notice, alert.Raised, "low", "28800"},
		{bench.Notice, alert.Test, "high", "600"},
	} {
		m := message("m", "")
		m.Key, m.Deed, m.Alert.Severity = m.Key+string(rune('0'+i)), c.deed, c.severity
		if err := r.outlet.Deliver(t.Context(), m); err != nil {
			t.Fatal(err)
		}
		h := r.service.Taken()[i].Header
		if h.Get("Urgency") != c.urgency || h.Get("TTL") != c.lifetime {
			t.Errorf("%s %s: %s for %s s, want %s for %s s", c.severity, c.deed, h.Get("Urgency"), h.Get("TTL"), c.urgency, c.lifetime)
		}
	}
}

// A message goes to all phones of its person, and to no others.
func TestTo(t *testing.T) {
	r := newRig(t)
	kim, _ := r.subscribe("Kim", "phone")
	tablet, _ := r.subscribe("kim", "tablet")
	lee, _ := r.subscribe("Lee", "phone")
	for _, m := range []*alert.Message{message("all", ""), message("only", "Kim")} {
		if err := r.outlet.Deliver(t.Context(), m); err != nil {
			t.Fatal(err)
		}
	}
	for b, want := range map[*webpushtest.Browser][]string{kim: {"all", "only"}, tablet: {"all", "only"}, lee: {"all"}} {
		if diff := cmp.Diff(want, r.takenBy(b)); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
	}
	if err := r.outlet.Deliver(t.Context(), message("m", "Noor")); !alert.IsPermanent(err) || !strings.Contains(err.Error(), "Noor") {
		t.Errorf("to whom nobody can send: %v", err)
	}
}

// What is tried again goes only to phones that do not have it; after a restart
// to all.
func TestPartly(t *testing.T) {
	r := newRig(t)
	kim, _ := r.subscribe("Kim", "phone")
	lee, _ := r.subscribe("Lee", "phone")
	r.service.Refuse(lee, http.StatusServiceUnavailable)
	m := message("m-1", "")
	for range 2 {
		if err := r.outlet.Deliver(t.Context(), m); err == nil || alert.IsPermanent(err) || !strings.Contains(err.Error(), "Lee") {
			t.Errorf("one phone is not reached yet: %v", err)
		}
	}
	r.service.Refuse(lee, 0)
	if err := r.outlet.Deliver(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([][]string{{"m-1"}, {"m-1"}}, [][]string{r.takenBy(kim), r.takenBy(lee)}); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	r.restart()
	if err := r.outlet.Deliver(t.Context(), m); err != nil || len(r.takenBy(kim)) != 2 {
		t.Errorf("after a restart it is not sent again: %v", err)
	}
}

// A phone whose subscription is gone is forgotten, for ever, and it is told.
func TestGone(t *testing.T) {
	r := newRig(t)
	kim, phone := r.subscribe("Kim", "phone")
	lee, _ := r.subscribe("Lee", "phone")
	r.service.Leave(kim)
	if err := r.outlet.Deliver(t.Context(), message("m-1", "")); err != nil || len(r.takenBy(lee)) != 1 {
		t.Errorf("one phone gone, one there: %v", err)
	}
	if len(r.gone) != 1 || r.gone[0].ID != phone.ID {
		t.Errorf("gone: %+v", r.gone)
	}
	r.restart()
	if all := r.outlet.Phones(); len(all) != 1 || all[0].Person != "Lee" {
		t.Errorf("phones after it: %+v", all)
	}
	r.service.Leave(lee)
	if err := r.outlet.Deliver(t.Context(), message("m-2", "")); !alert.IsPermanent(err) {
		t.Errorf("all phones gone: %v", err)
	}
}

// What push services answer, and what it means.
func TestAnswers(t *testing.T) {
	for _, c := range []struct {
		name      string
		answer    http.HandlerFunc
		permanent bool
		wait      time.Duration
		want      string
	}{
		{"payload too large", status(413), true, 0, "413"},
		{"too many", func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Retry-After", "30")
			w.WriteHeader(429)
		}, false, 30 * time.Second, "429"},
		{"too many, no wait", status(429), false, 0, "429"},
		{"broken", status(500), false, 0, "500"},
		{"key refused", status(403), true, 0, "403"},
		{"bad request", status(400), true, 0, "400"},
		{"leads elsewhere", func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Location", "http://127.0.0.1:1/")
			w.WriteHeader(307)
		}, true, 0, "307"},
		{"closes half-way", func(w http.ResponseWriter, _ *http.Request) { hijack(w, "HTTP/1.1 201 Cre") }, false, 0, "EOF"},
		{"garbage", func(w http.ResponseWriter, _ *http.Request) { hijack(w, "\x00\x01 no protocol\r\n\r\n") }, false, 0, "malformed"},
		{"closes", func(w http.ResponseWriter, _ *http.Request) { hijack(w, "") }, false, 0, "EOF"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			b, phone := r.subscribe("Kim", "phone")
			r.service.Instead(c.answer)
			err := r.outlet.Deliver(t.Context(), message("m-1", ""))
			if err == nil || alert.IsPermanent(err) != c.permanent || alert.Wait(err) != c.wait || !strings.Contains(err.Error(), c.want) {
				t.Fatalf("%v: permanent %v, wait %v", err, alert.IsPermanent(err), alert.Wait(err))
			}
			silent(t, err.Error(), b)
			p := r.phone(phone.ID)
			silent(t, p.Trouble, b)
			if p.Trouble == "" || !p.Sent.IsZero() {
				t.Errorf("the phone's trouble is not shown: %+v", p)
			}
			r.service.Instead(nil)
			if err := r.outlet.Deliver(t.Context(), message("m-2", "")); err != nil || r.phone(phone.ID).Trouble != "" {
				t.Errorf("afterwards: %v, %+v", err, r.phone(phone.ID))
			}
		})
	}
}

func status(code int) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(code) }
}

// hijack writes something and closes.
func hijack(w http.ResponseWriter, text string) {
	c, rw, err := w.(http.Hijacker).Hijack()
	if err != nil {
		panic(err)
	}
	_, _ = rw.WriteString(text)
	_ = rw.Flush()
	_ = c.Close()
}

// silent holds that a text gives no endpoint away.
func silent(t *testing.T, text string, b *webpushtest.Browser) {
	t.Helper()
	if _, path, _ := strings.Cut(b.Endpoint, "/push/"); strings.Contains(text, path) {
		t.Errorf("it tells the endpoint: %s", text)
	}
}

// A push service that is not there, and one that never answers.
func TestUnreachable(t *testing.T) {
	r := newRig(t)
	b, _ := r.subscribe("Kim", "phone")
	over := make(chan struct{})
	r.service.Instead(func(http.ResponseWriter, *http.Request) { <-over })
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	err := r.outlet.Deliver(ctx, message("m-1", ""))
	if !errors.Is(err, context.DeadlineExceeded) || alert.IsPermanent(err) {
		t.Errorf("hangs: %v", err)
	}
	close(over)
	r.service.Close()
	err = r.outlet.Deliver(t.Context(), message("m-1", ""))
	if err == nil || alert.IsPermanent(err) {
		t.Fatalf("not there: %v", err)
	}
	silent(t, err.Error(), b)
}

// Without the option for tests nothing on this computer is connected to,
// whatever an endpoint's name points to.
func TestOwnNetwork(t *testing.T) {
	r := newRig(t)
	b, _ := r.subscribe("Kim", "phone")
	r.options.Plain = false
	r.restart()
	if err := r.outlet.Deliver(t.Context(), message("m-1", "")); !alert.IsPermanent(err) || len(r.takenBy(b)) != 0 {
		t.Errorf("to this computer: %v", err)
	}
	if code, text := r.post("/push/subscribe", map[string]any{"subscription": b.JSON(), "person": "Kim", "device": "phone"}); code != 422 || !strings.Contains(text, "https") {
		t.Errorf("subscribe there: %d %s", code, text)
	}
}

func TestNew(t *testing.T) {
	r := newRig(t)
	for want, change := range map[string]func(*webpush.Options){
		"Name and Keep": func(o *webpush.Options) { o.Name = "" },
		"needed":        func(o *webpush.Options) { o.Keep = nil },
		"contact":       func(o *webpush.Options) { o.Contact = "mailto:kim@bench.local" },
	} {
		o := r.options
		change(&o)
		if _, err := webpush.New(t.Context(), o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %s: %v", want, err)
		}
	}
	r.store.Fail(errors.New("disk full"))
	if _, err := webpush.New(t.Context(), r.options); err == nil || !strings.Contains(err.Error(), "disk full") {
		t.Errorf("no store: %v", err)
	}
}

// A phone that cannot be read is left out; the others are reached.
func TestUnreadablePhone(t *testing.T) {
	r := newRig(t)
	b, _ := r.subscribe("Kim", "phone")
	for _, text := range []string{"", "{", `{"subscription":{"keys":{"p256dh":"AA"}}}`} {
		if err := r.store.Keep(t.Context(), "webpush.phone", "x", text); err != nil {
			t.Fatal(err)
		}
		r.restart()
		if err := r.outlet.Deliver(t.Context(), message("m"+text, "")); err != nil || len(r.outlet.Phones()) != 1 {
			t.Errorf("%q: %v", text, err)
		}
	}
	if len(r.takenBy(b)) != 3 {
		t.Errorf("reached %d times", len(r.takenBy(b)))
	}
}

// The suite of all outlets: the push service is the one that misbehaves.
func TestOutlet(t *testing.T) {
	outlettest.HTTP{New: func(t *testing.T, url string) outlettest.Outlet {
		t.Helper()
		r := newRig(t)
		b, err := r.service.Subscribe()
		if err != nil {
			t.Fatal(err)
		}
		b.Endpoint = url
		if code, text := r.post("/push/subscribe", map[string]any{"subscription": b.JSON(), "person": "kim", "device": "phone"}); code != http.StatusOK {
			t.Fatalf("subscribe: %d %s", code, text)
		}
		return r.outlet
	}}.Run(t)
}
