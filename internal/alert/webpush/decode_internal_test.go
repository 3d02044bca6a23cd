package webpush

import (
	"strings"
	"testing"
)

func FuzzRequest(f *testing.F) {
	f.Add(`{"subscription":{"endpoint":"https://push.example.net/p","keys":{"p256dh":"BA","auth":"AA"}},"person":"Kim","device":"phone"}`)
	f.Add(`{"phone":"x","key":"m"} `)
	f.Fuzz(func(t *testing.T, text string) {
		q, err := decodeRequest(strings.NewReader(text))
		if err != nil {
			return
		}
		if name, err := cleanName("person", q.Person); err == nil && (name == "" || strings.ContainsAny(name, "\r\n\x00")) {
			t.Errorf("%q is kept as %q", q.Person, name)
		}
		if err := q.Subscription.check(false); err == nil && !strings.HasPrefix(strings.ToLower(q.Subscription.Endpoint), "https:") {
			t.Errorf("%q is taken", q.Subscription.Endpoint)
		}
	})
}

func FuzzPhone(f *testing.F) {
	f.Add(`{"id":"a","subscription":{"endpoint":"","keys":{"p256dh":"","auth":""}}}`)
	f.Fuzz(func(t *testing.T, text string) {
		if k, err := decodePhone(text); err == nil {
			if _, err := k.Subscription.receiver(); err != nil {
				t.Error(err)
			}
		}
	})
}
