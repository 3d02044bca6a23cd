// Package webhook delivers alerts to a program: each message is a CloudEvents 1.0
// event in the structured JSON form, posted to one address. With a secret it is
// signed as the Standard Webhooks specification 1.0.0 says
// (github.com/standard-webhooks/standard-webhooks). It decides nothing about
// alerts.
//
//	POST /hook HTTP/1.1
//	Content-Type: application/cloudevents+json
//	Webhook-Id: msg_e6b3…            made of the message's key: the same in all tries
//	Webhook-Timestamp: 1772486045    Unix seconds of this try
//	Webhook-Signature: v1,BASE64     HMAC-SHA256 over "ID.TIMESTAMP.BODY"
//
//	{"specversion":"1.0","id":"KEY","source":"/bench/NAME/station/s1","type":"benchvigil.alert.raised",
//	 "subject":"ALERT KEY","time":"2026-03-02T21:14:05.920Z","datacontenttype":"application/json","data":{…}}
//
// The id is the key of the message: the receiver may get it more than once. data
// is an alert.Message: deed, alert with its state, link, missed.
package webhook

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/post"
	"benchvigil/internal/bench"
)

// Options of an Outlet. Name and URL are needed.
type Options struct {
	Name    string
	URL     string            // http or https
	Secrets []string          // each adds a signature, so that a secret can be changed with both known; see Key
	Headers map[string]string // sent besides
	Roots   *x509.CertPool    // authorities to trust; nil: those of this computer
	Now     func() time.Time  // nil: time.Now
}

// Outlet delivers. Any goroutine may use it.
type Outlet struct {
	o      Options
	url    *url.URL
	keys   [][]byte
	client *post.Client
}

// New checks the options.
func New(o Options) (*Outlet, error) {
	u, err := post.Address(o.URL)
	if err != nil {
		return nil, fmt.Errorf("webhook %q: %w", o.Name, err)
	}
	out := &Outlet{o: o, url: u}
	for _, s := range o.Secrets {
		key, err := Key(s)
		if err != nil {
			return nil, fmt.Errorf("webhook %q: %w", o.Name, err)
		}
		out.keys = append(out.keys, key)
	}
	if err := checkHeaders(o.Headers); err != nil {
		return nil, fmt.Errorf("webhook %q: %w", o.Name, err)
	}
	if out.o.Now == nil {
		out.o.Now = time.Now
	}
	out.client = post.New(post.Options{Roots: o.Roots, Hide: append(post.Secrets(u, values(o.Headers)...), o.Secrets...)})
	return out, nil
}

// Key reads a secret: base64 of 24 to 64 bytes, after "whsec_" or bare.
func Key(secret string) ([]byte, error) {
	key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(secret, "whsec_"))
	if err != nil || len(key) < 24 || len(key) > 64 {
		return nil, errors.New(`secret: must be base64 of 24 to 64 random bytes, as "openssl rand -base64 32" gives, with or without whsec_ before it`)
	}
	return key, nil
}

// ours are the headers that the outlet sets itself.
var ours = []string{"Content-Type", "Content-Length", "Host", "Webhook-Id", "Webhook-Timestamp", "Webhook-Signature"}

func checkHeaders(headers map[string]string) error {
	for name, value := range headers {
		switch {
		case slices.Contains(ours, http.CanonicalHeaderKey(name)):
			return fmt.Errorf("header %s: is set by the webhook itself", name)
		case !post.Header(name, value):
			return fmt.Errorf("header %q: name or value has characters that a header cannot hold", name)
		}
	}
	return nil
}

func values(headers map[string]string) (out []string) {
	for _, v := range headers {
		out = append(out, v)
	}
	return out
}

// String names the outlet without what is secret in its address.
func (o *Outlet) String() string { return "webhook at " + o.url.Host }

// Deliver posts the message.
func (o *Outlet) Deliver(ctx context.Context, m *alert.Message) error {
	body, err := encode(m)
	if err != nil {
		return alert.Permanent(fmt.Errorf("encode: %w", err))
	}
	req, err := post.Request(ctx, o.url, o.o.Headers, "application/cloudevents+json; charset=utf-8", body)
	if err != nil {
		return err
	}
	sign(req.Header, o.keys, m.Key, o.o.Now(), body)
	return o.client.Send(req)
}

// sign sets the headers of Standard Webhooks. The ID is a hash: the specification
// wants no full stop in it, and keys of messages have some.
func sign(h http.Header, keys [][]byte, messageKey string, at time.Time, body []byte) {
	sum := sha256.Sum256([]byte(messageKey))
	id, stamp := "msg_"+hex.EncodeToString(sum[:16]), strconv.FormatInt(at.Unix(), 10)
	h.Set("Webhook-Id", id)
	h.Set("Webhook-Timestamp", stamp)
	signatures := make([]string, 0, len(keys))
	for _, key := range keys {
		signatures = append(signatures, Signature(key, id, stamp, body))
	}
	if len(signatures) > 0 {
		h.Set("Webhook-Signature", strings.Join(signatures, " "))
	}
}

// Signature is that of Standard Webhooks for a symmetric key.
func Signature(key []byte, id, stamp string, body []byte) string {
	mac := hmac.New(sha256.New, key)
	_, _ = mac.Write([]byte(id + "." + stamp + ".")) // never fails
	_, _ = mac.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
}

type cloudEvent struct {
	SpecVersion string         `json:"specversion"`
	ID          string         `json:"id"`
	Source      string         `json:"source"`
	Type        string         `json:"type"`
	Subject     string         `json:"subject,omitempty"`
	Time        string         `json:"time"`
	ContentType string         `json:"datacontenttype"`
	Data        *alert.Message `json:"data"`
}

// encode writes the event. Its type is benchvigil.alert. and the deed.
func encode(m *alert.Message) ([]byte, error) {
	return json.Marshal(cloudEvent{
		SpecVersion: "1.0",
		ID:          m.Key,
		Source:      source(m.Bench, m.Alert.Station),
		Type:        "benchvigil.alert." + string(m.Deed),
		Subject:     m.Alert.Key,
		Time:        m.Made.UTC().Format(bench.TimeFormat),
		ContentType: "application/json",
		Data:        m,
	})
}

// source is spelled as in the events of the record.
func source(name, station string) string {
	s := "/bench/" + url.PathEscape(name)
	if station != "" {
		s += "/station/" + url.PathEscape(station)
	}
	return s
}
