package webpush

import (
	"cmp"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"unicode/utf8"

	"benchvigil/internal/alert"
	"benchvigil/internal/bench"
)

// payload is what the worker in the browser gets. Its reader is
// internal/web/assets/worker.js.
type payload struct {
	Key      string         `json:"key"`   // of the message
	Alert    string         `json:"alert"` // key of the alert: what an acknowledgement names
	Phone    string         `json:"phone"` // who it is for: what a report names
	Deed     alert.Deed     `json:"deed"`
	Severity bench.Severity `json:"severity"`
	Quiet    bool           `json:"quiet,omitempty"` // it need not ring again
	Title    string         `json:"title"`
	Text     string         `json:"text"`
	Do       string         `json:"do,omitempty"`
	Why      []string       `json:"why,omitempty"`
	Bench    string         `json:"bench"`
	Link     string         `json:"link,omitempty"`
	Made     int64          `json:"made"` // Unix ms
}

func payloadOf(m *alert.Message, phone string) payload {
	return payload{
		Key: m.Key, Alert: m.Alert.Key, Phone: phone, Deed: m.Deed, Severity: m.Alert.Severity, Quiet: m.Quiet(),
		Title: m.Title(), Text: m.Text(), Do: m.Alert.Do, Why: m.Alert.Why, Bench: m.Bench, Link: m.Link, Made: m.Made.UnixMilli(),
	}
}

// cuts shorten a payload, the least important first.
var cuts = []func(p *payload, over int) bool{
	func(p *payload, _ int) bool {
		if len(p.Why) == 0 {
			return false
		}
		p.Why = p.Why[:len(p.Why)-1]
		return true
	},
	func(p *payload, over int) bool { return cut(&p.Do, over) },
	func(p *payload, over int) bool { return cut(&p.Text, over) },
	func(p *payload, over int) bool { return cut(&p.Title, over) },
}

// fit encodes a payload so that it fits into a push message, shortened where it
// must be.
func fit(p payload) ([]byte, error) {
	for i := 0; ; {
		b, err := json.Marshal(&p)
		if err != nil {
			return nil, fmt.Errorf("encode message: %w", err)
		}
		over := len(b) - mostPlain
		if over <= 0 {
			return b, nil
		}
		for i < len(cuts) && !cuts[i](&p, over) {
			i++
		}
		if i == len(cuts) {
			return nil, fmt.Errorf("the keys and the link of the message are %d bytes too long for web push", over)
		}
	}
}

// cut takes from the end of a text what is surely too much, false when nothing
// is left to take. A byte of it is up to 6 bytes of JSON.
func cut(s *string, over int) bool {
	const mark = "…"
	if *s == "" || *s == mark {
		return false
	}
	end := max(len(*s)-over/6-1-len(mark), 0)
	for end > 0 && !utf8.RuneStart((*s)[end]) {
		end--
	}
	*s = (*s)[:end] + mark
	return true
}

// topicOf is the same for all messages about one alert: one that waits at the
// push service is replaced by the next (RFC 8030 §5.4). 24 bytes are the 32
// characters that a topic may have.
func topicOf(alertKey string) string {
	sum := sha256.Sum256([]byte(alertKey))
	return base64.RawURLEncoding.EncodeToString(sum[:24])
}

// urgencyOf says when a phone that saves power may be woken (RFC 8030 §5.3). A
// message that need not ring keeps the urgency of its alert, because it may
// replace one that has not arrived.
func urgencyOf(m *alert.Message) string {
	switch {
	case m.Deed == alert.Taken:
		return "low"
	case m.Alert.Severity == bench.Danger || m.Deed == alert.Test:
		return "high"
	case m.Alert.Severity == bench.Notice:
		return "low"
	}
	return "normal"
}

// lifetimeOf is for how many seconds a push service keeps a message for a phone
// that is off (RFC 8030 §5.2).
func lifetimeOf(m *alert.Message) int {
	const hour = 3600
	seconds := map[bench.Severity]int{bench.Notice: 8 * hour}[m.Alert.Severity]
	if m.Deed == alert.Test {
		seconds = hour / 6
	}
	return cmp.Or(seconds, 24*hour)
}
