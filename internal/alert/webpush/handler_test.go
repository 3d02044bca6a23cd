package webpush_test

import (
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"testing"

	"benchvigil/internal/alert/webpush"
)

func TestSubscribe(t *testing.T) {
	r := newRig(t)
	b, first := r.subscribe("Kim", "  Kim's \t phone ")
	if first.Device != "Kim's phone" || first.Since.IsZero() {
		t.Errorf("kept as %+v", first)
	}
	_, text := r.ask(http.MethodGet, "/push/phones", nil)
	var listed []webpush.Phone
	if err := json.Unmarshal([]byte(text), &listed); err != nil || len(listed) != 1 || listed[0].ID != first.ID {
		t.Errorf("list: %v %s", err, text)
	}
	silent(t, text, b)
	if code, text := r.post("/push/subscribe", map[string]any{"subscription": b.JSON(), "person": "Lee", "device": "phone"}); code != 200 {
		t.Errorf("the same browser again: %d %s", code, text)
	}
	if all := r.outlet.Phones(); len(all) != 1 || all[0].Person != "Lee" {
		t.Errorf("the same browser is not replaced: %+v", all)
	}
	r.restart()
	if all := r.outlet.Phones(); len(all) != 1 {
		t.Errorf("after a restart: %+v", all)
	}
	if code, _ := r.post("/push/unsubscribe", map[string]string{"endpoint": b.Endpoint}); code != 204 || len(r.outlet.Phones()) != 0 {
		t.Errorf("unsubscribe: %d, %+v", code, r.outlet.Phones())
	}
	if code, _ := r.post("/push/unsubscribe", map[string]string{"phone": first.ID}); code != 404 {
		t.Errorf("unsubscribe twice: %d", code)
	}
}

func TestRefused(t *testing.T) {
	r := newRig(t)
	b, _ := r.subscribe("Kim", "phone")
	good := map[string]any{"subscription": b.JSON(), "person": "Kim", "device": "phone"}
	with := func(key string, v any) map[string]any {
		out := map[string]any{}
		for k, v := range good {
			out[k] = v
		}
		out[key] = v
		return out
	}
	keys := func(p256dh, auth string) map[string]any {
		return map[string]any{"endpoint": b.Endpoint, "keys": map[string]string{"p256dh": p256dh, "auth": auth}}
	}
	const point = "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"
	for _, c := range []struct {
		name, path string
		body       any
		code       int
		want       string
	}{
		{"nobody", "/push/subscribe", with("person", " "), 422, "person: missing"},
		{"long name", "/push/subscribe", with("device", strings.Repeat("x", 61)), 422, "device: longer than 60"},
		{"control letters", "/push/subscribe", with("person", "Kim\x00"), 422, "person: holds"},
		{"no subscription", "/push/subscribe", with("subscription", map[string]any{}), 422, "subscription.endpoint: missing"},
		{"no TLS", "/push/subscribe", with("subscription", map[string]any{"endpoint": "http://push.example.net/"}), 422, "https"},
		{"no keys", "/push/subscribe", with("subscription", keys("", "")), 422, "subscription.keys.p256dh"},
		{"not a point", "/push/subscribe", with("subscription", keys(strings.Repeat("A", 87), "BTBZMqHH6r4Tts7J_aSIgg")), 422, "p256dh"},
		{"short secret", "/push/subscribe", with("subscription", keys(point, "BTBZ")), 422, "keys.auth"},
		{"another type", "/push/subscribe", with("person", 7), 400, "JSON"},
		{"too long", "/push/subscribe", with("person", strings.Repeat("x", 20<<10)), 400, "too large"},
		{"report of nobody", "/push/received", map[string]string{"phone": "x", "key": "m"}, 404, "no such phone"},
		{"report of nothing", "/push/received", map[string]string{"phone": "x"}, 422, "key"},
		{"try nobody", "/push/try", map[string]string{"phone": "x"}, 404, "no such phone"},
		{"acknowledge by nobody", "/push/acknowledge", map[string]string{"phone": "x", "alert": "a"}, 404, "no such phone"},
		{"renew nobody", "/push/renew", map[string]string{"old": "x"}, 404, "no such phone"},
	} {
		code, text := r.post(c.path, c.body)
		if code != c.code || !strings.Contains(text, c.want) {
			t.Errorf("%s: %d %s, want %d %s", c.name, code, text, c.code, c.want)
		}
	}
	if code, _ := r.post("/push/unsubscribe", good, "Content-Type", "text/plain"); code != 415 {
		t.Errorf("as text: %d", code)
	}
	if code, text := r.post("/push/unsubscribe", good, "Sec-Fetch-Site", "cross-site"); code != 403 || !strings.Contains(text, "other sites") {
		t.Errorf("from another site: %d %s", code, text)
	}
	if code, _ := r.ask(http.MethodPost, "/push/subscribe", []byte(`{} {}`)); code != 400 {
		t.Errorf("two values: %d", code)
	}
	r.store.Fail(errors.New("disk full"))
	if code, text := r.post("/push/subscribe", good); code != 503 || !strings.Contains(text, "disk full") {
		t.Errorf("store full: %d %s", code, text)
	}
}

// Taken by the push service is not arrived: the worker's report is.
func TestReceived(t *testing.T) {
	r := newRig(t)
	b, p := r.subscribe("Kim", "phone")
	if code, text := r.post("/push/try", map[string]string{"phone": p.ID}); code != 200 {
		t.Fatalf("try: %d %s", code, text)
	}
	tried := r.takenBy(b)
	if p := r.phone(p.ID); len(tried) != 1 || p.LastSent != tried[0] || !p.Arrived.IsZero() {
		t.Fatalf("sent %v, shown as %+v", tried, p)
	}
	if code, text := r.post("/push/received", map[string]string{"phone": p.ID, "key": tried[0]}); code != 204 {
		t.Fatalf("report: %d %s", code, text)
	}
	r.restart()
	if p := r.phone(p.ID); p.Arrived.IsZero() || p.LastSeen != tried[0] {
		t.Errorf("after the report: %+v", p)
	}
	r.service.Refuse(b, 410)
	if code, text := r.post("/push/try", map[string]string{"phone": p.ID}); code != 502 || !strings.Contains(text, "anew") {
		t.Errorf("try one that is gone: %d %s", code, text)
	}
}

func TestAcknowledge(t *testing.T) {
	r := newRig(t)
	_, p := r.subscribe("Kim", "phone")
	ack := map[string]string{"phone": p.ID, "alert": "s-1.dropped.1"}
	if code, text := r.post("/push/acknowledge", ack); code != 204 || len(r.acked) != 1 || r.acked[0] != "s-1.dropped.1 by Kim" {
		t.Errorf("%d %s, %v", code, text, r.acked)
	}
	r.refuse = errors.New("it is over")
	if code, text := r.post("/push/acknowledge", ack); code != 422 || !strings.Contains(text, "it is over") {
		t.Errorf("refused: %d %s", code, text)
	}
	if code, _ := r.post("/push/acknowledge", map[string]string{"phone": p.ID}); code != 422 {
		t.Errorf("no alert: %d", code)
	}
	r.options.Acknowledge = nil
	r.restart()
	if code, _ := r.post("/push/acknowledge", ack); code != 501 {
		t.Errorf("cannot be done: %d", code)
	}
}

// A browser that gets another subscription stays the phone it was.
func TestRenew(t *testing.T) {
	r := newRig(t)
	b, p := r.subscribe("Kim", "phone")
	next, err := r.service.Subscribe()
	if err != nil {
		t.Fatal(err)
	}
	if code, text := r.post("/push/renew", map[string]any{"old": b.Endpoint, "subscription": next.JSON()}); code != 200 {
		t.Fatalf("%d %s", code, text)
	}
	all := r.outlet.Phones()
	if len(all) != 1 || all[0].ID == p.ID || all[0].Person != "Kim" || !all[0].Since.Equal(p.Since) {
		t.Fatalf("renewed: %+v", all)
	}
	if err := r.outlet.Deliver(t.Context(), message("m-1", "")); err != nil || len(r.takenBy(next)) != 1 || len(r.takenBy(b)) != 0 {
		t.Errorf("%v", err)
	}
	if code, text := r.post("/push/renew", map[string]any{"phone": all[0].ID, "subscription": next.JSON()}); code != 200 || len(r.outlet.Phones()) != 1 {
		t.Errorf("the same again: %d %s", code, text)
	}
}

func TestFull(t *testing.T) {
	r := newRig(t)
	for range 200 {
		r.subscribe("Kim", "phone")
	}
	b, err := r.service.Subscribe()
	if err != nil {
		t.Fatal(err)
	}
	if code, text := r.post("/push/subscribe", map[string]any{"subscription": b.JSON(), "person": "Kim", "device": "phone"}); code != 409 {
		t.Errorf("one too many: %d %s", code, text)
	}
}
