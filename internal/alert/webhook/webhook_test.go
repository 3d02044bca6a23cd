package webhook_test

import (
	"encoding/base64"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/google/go-cmp/cmp"
	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/outlettest"
	"benchvigil/internal/alert/webhook"
)

const (
	secret = "whsec_" + "AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8="
	newer  = "IB8eHRwbGhkYFxYVFBMSERAPDg0MCwoJCAcGBQQDAgE="
)

func TestConformance(t *testing.T) {
	outlettest.HTTP{
		New: func(t *testing.T, url string) outlettest.Outlet {
			return made(t, webhook.Options{Name: "hook", URL: url})
		},
		Key: func(r *http.Request, _ []byte) string { return r.Header.Get("Webhook-Id") },
	}.Run(t)
}

func made(t *testing.T, o webhook.Options) *webhook.Outlet {
	t.Helper()
	out, err := webhook.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// posted delivers a message and returns what came.
func posted(t *testing.T, o webhook.Options, m *alert.Message) (http.Header, []byte) {
	t.Helper()
	var header http.Header
	var body []byte
	srv := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		header = r.Header
		body, _ = io.ReadAll(r.Body)
	}))
	defer srv.Close()
	o.URL = srv.URL
	if err := made(t, o).Deliver(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	return header, body
}

// TestCloudEvent asks the CloudEvents SDK.
func TestCloudEvent(t *testing.T) {
	for deed, kind := range map[alert.Deed]string{
		alert.Raised: "benchvigil.alert.raised", alert.Changed: "benchvigil.alert.changed", alert.Repeated: "benchvigil.alert.repeated",
		alert.Escalated: "benchvigil.alert.escalated", alert.Returned: "benchvigil.alert.returned", alert.Taken: "benchvigil.alert.taken",
		alert.Test: "benchvigil.alert.test",
	} {
		m := outlettest.Message(deed)
		header, body := posted(t, webhook.Options{}, m)
		if got := header.Get("Content-Type"); !strings.HasPrefix(got, event.ApplicationCloudEventsJSON) {
			t.Errorf("content type %q", got)
		}
		var e event.Event
		if err := json.Unmarshal(body, &e); err != nil {
			t.Fatalf("%s: %v\n%s", deed, err, body)
		}
		if err := e.Validate(); err != nil {
			t.Errorf("%s: %v", deed, err)
		}
		got := []string{e.SpecVersion(), e.ID(), e.Source(), e.Type(), e.Subject(), e.DataContentType(), e.Time().String()}
		want := []string{"1.0", m.Key, "/bench/bench/station/s1", kind, m.Alert.Key, "application/json", "2026-03-02 21:14:05.92 +0000 UTC"}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s: %s", deed, d)
		}
		if want, err := m.Encode(); err != nil || string(e.Data()) != want {
			t.Errorf("%s: %v: %s", deed, err, cmp.Diff(want, string(e.Data())))
		}
	}
}

func TestSource(t *testing.T) {
	m := outlettest.Message(alert.Test)
	m.Bench, m.Alert.Station = "north bench/2", ""
	_, body := posted(t, webhook.Options{}, m)
	var e event.Event
	if err := json.Unmarshal(body, &e); err != nil {
		t.Fatal(err)
	}
	if err := e.Validate(); err != nil || e.Source() != "/bench/north%20bench%2F2" {
		t.Errorf("%q, %v", e.Source(), err)
	}
}

// TestSignature asks the library of the specification's authors.
func TestSignature(t *testing.T) {
	header, body := posted(t, webhook.Options{Secrets: []string{secret, newer}}, outlettest.Message(alert.Raised))
	for _, s := range []string{secret, newer} {
		wh, err := standardwebhooks.NewWebhook(s)
		if err != nil {
			t.Fatal(err)
		}
		if err := wh.Verify(body, header); err != nil {
			t.Errorf("the signature is not good: %v", err)
		}
		if err := wh.Verify(append(body, ' '), header); err == nil {
			t.Error("a changed body passes")
		}
	}
	if strings.Contains(header.Get("Webhook-Id"), ".") {
		t.Error("a full stop in the ID")
	}
}

// TestVector is the one in the tests of the specification's Go library
// (libraries/go/webhook_test.go, TestWebhookSign).
func TestVector(t *testing.T) {
	key, err := webhook.Key("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if err != nil {
		t.Fatal(err)
	}
	got := webhook.Signature(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", "1614265330", []byte(`{"test": 2432232314}`))
	if want := "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestUnsigned(t *testing.T) {
	header, _ := posted(t, webhook.Options{Headers: map[string]string{"authorization": "Bearer tk-1234"}}, outlettest.Message(alert.Raised))
	if header.Get("Webhook-Signature") != "" || header.Get("Authorization") != "Bearer tk-1234" {
		t.Error(header)
	}
}

// TestStamp holds that the time is that of the try, the ID that of the message.
func TestStamp(t *testing.T) {
	at := time.Unix(1772486045, 0)
	header, _ := posted(t, webhook.Options{Now: func() time.Time { return at }}, outlettest.Message(alert.Raised))
	if got := header.Get("Webhook-Timestamp"); got != "1772486045" {
		t.Error(got)
	}
}

func TestRefused(t *testing.T) {
	for name, tt := range map[string]struct {
		o    webhook.Options
		want string
	}{
		"no address":   {webhook.Options{}, "url: must begin with"},
		"short secret": {webhook.Options{URL: "http://h", Secrets: []string{base64.StdEncoding.EncodeToString([]byte("short"))}}, "24 to 64"},
		"no base64":    {webhook.Options{URL: "http://h", Secrets: []string{"whsec_?"}}, "24 to 64"},
		"our header":   {webhook.Options{URL: "http://h", Headers: map[string]string{"webhook-id": "x"}}, "webhook-id: is set by"},
		"bad header":   {webhook.Options{URL: "http://h", Headers: map[string]string{"X": "a\nb"}}, "characters"},
	} {
		if _, err := webhook.New(tt.o); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", name, err, tt.want)
		}
	}
}
