package access

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"strings"
	"time"

	"benchvigil/internal/bench"
)

// Entry is one line of the trail of what people did or tried.
type Entry struct {
	Seq     int64     `json:"seq,omitempty"`
	At      time.Time `json:"at"`
	Who     string    `json:"who,omitempty"` // empty: at this computer, without a name
	From    string    `json:"from"`          // network address
	Did     string    `json:"did"`
	On      string    `json:"on,omitempty"`
	Outcome string    `json:"outcome"` // done, or why it was refused
}

// AuditQuery chooses entries, the newest first. Zero values choose all.
type AuditQuery struct {
	From, To time.Time
	Who      string
	Station  string // only acts on this station or on its alerts
	Before   int64  // only entries with a smaller Seq
	Limit    int
}

// String is the line that people read.
func (e Entry) String() string {
	who := e.Who
	if who == "" {
		who = "somebody at this computer"
	}
	line := who + " " + e.Did
	if e.On != "" {
		line += " " + e.On
	}
	line += " from " + e.From
	if e.Outcome != "done" {
		line += ": " + e.Outcome
	}
	return line
}

type noteKey struct{}

// Note says in an act's own words what a request does, for the trail: what
// cannot be seen from its path and form. It never holds a password or a code.
func Note(ctx context.Context, did, on string) {
	if e, ok := ctx.Value(noteKey{}).(*Entry); ok {
		e.Did, e.On = did, on
	}
}

// Sign says who asked for an act at this computer, where nobody logs in and
// people say it with each act. Whoever is logged in is known better.
func Sign(ctx context.Context, by string) {
	if e, ok := ctx.Value(noteKey{}).(*Entry); ok && e.Who == "" {
		e.Who = short(strings.TrimSpace(by))
	}
}

// deeds are the words of what is done about alerts.
var deeds = map[bench.AlertDeed]string{
	bench.DeedAcknowledge: "acknowledged", bench.DeedShelve: "shelved", bench.DeedUnshelve: "unshelved",
	bench.DeedTakeOut: "took out of service", bench.DeedPutBack: "put back in service",
}

// NoteAlert notes what a request does about an alert.
func NoteAlert(ctx context.Context, deed bench.AlertDeed, key string) {
	did, ok := deeds[deed]
	if !ok {
		did = "acted on the alert"
	}
	Note(ctx, did, short(key))
}

// NoteMark notes a mark on a station: its kind, never what was written in it.
func NoteMark(ctx context.Context, kind, station string) {
	Note(ctx, strings.TrimSpace("marked "+short(kind)), short(station))
}

// NoteTest notes a test of an outlet; empty: of all.
func NoteTest(ctx context.Context, outlet string) {
	if outlet == "" {
		outlet = "all outlets"
	}
	Note(ctx, "tested", short(outlet))
}

// pushed are the words of what pages of phones ask for.
var pushed = map[string]string{
	"subscribe": "subscribed a phone", "renew": "renewed a phone", "unsubscribe": "unsubscribed a phone",
	"try": "tested a phone", "received": "confirmed a message by a phone", "acknowledge": "acknowledged by a phone",
}

// words finds out what a request asked for. Of forms only fields that hold one
// word of ours are repeated, never free text.
func words(r *http.Request) (did, on string) {
	parts := strings.Split(strings.Trim(r.URL.Path, "/"), "/")
	last := parts[len(parts)-1]
	if len(parts) > 2 && parts[0] == "api" {
		parts = parts[2:]
	}
	switch {
	case parts[0] == "alerts" && last == "test":
		return "tested", short(cmp.Or(r.PostForm.Get("outlet"), "all outlets"))
	case parts[0] == "alerts":
		deed, _, _ := strings.Cut(r.PostForm.Get("do"), " ")
		if word, ok := deeds[bench.AlertDeed(deed)]; ok {
			return word, short(last)
		}
		return "acted on the alert", short(last)
	case last == "marks" && len(parts) > 1:
		mark, _, _ := strings.Cut(r.PostForm.Get("mark"), " ")
		return strings.TrimSpace("marked " + short(mark)), short(parts[len(parts)-2])
	case parts[0] == "push" && pushed[last] != "":
		return pushed[last], ""
	case downloads(r):
		return "downloaded", short(r.URL.Path)
	}
	return fmt.Sprintf("asked for %s", r.Method), short(r.URL.Path)
}

// downloads reports a request that takes data of customers away.
func downloads(r *http.Request) bool {
	return strings.HasSuffix(r.URL.Path, "/recording") || strings.HasSuffix(r.URL.Path, ".csv")
}

// short keeps what a stranger sends from filling the trail.
func short(text string) string {
	clean := strings.Map(func(c rune) rune {
		if c < ' ' || c == 0x7f {
			return -1
		}
		return c
	}, strings.ToValidUTF8(text, ""))
	if runes := []rune(clean); len(runes) > 120 {
		return string(runes[:120]) + "…"
	}
	return clean
}

// meter sees which status a handler answers with.
type meter struct {
	http.ResponseWriter
	status int
}

func (m *meter) WriteHeader(status int) {
	if m.status == 0 {
		m.status = status
	}
	m.ResponseWriter.WriteHeader(status)
}

// Unwrap lets streams flush (http.ResponseController).
func (m *meter) Unwrap() http.ResponseWriter { return m.ResponseWriter }

func (m *meter) outcome() string {
	if m.status < 400 {
		return "done"
	}
	return fmt.Sprintf("refused (%d %s)", m.status, http.StatusText(m.status))
}
