// Package publish delivers alerts to a push service of one's own by one plain HTTP
// request each. What the request says is made by templates (text/template) over
// the alert.Message, so that any service that takes a publish by HTTP can be fed.
//
//	url:     https://push.example/bench
//	headers: {Title: "{{title .}}", Priority: "{{priority .}}", Authorization: "Bearer …"}
//	body:    "{{text .}}\n{{.Alert.Do}}"
//
// Besides what text/template has there are
//
//	title .     the first line of a lock screen
//	text .      the second line
//	priority .  what Options.Priorities has for the severity; 2 for what need not ring
//	json X      X as JSON, to be put into JSON
//	word X      X as an encoded word (RFC 2047), for services that want ASCII headers
//
// A header whose template gives nothing is left out. The key of the message is sent
// as Idempotency-Key unless a header of that name is configured.
package publish

import (
	"context"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"text/template"
	"time"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/post"
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Options of an Outlet. Name and URL are needed.
type Options struct {
	Name       string
	Method     string // "": POST
	URL        string // http or https
	Headers    map[string]string
	Body       string                    // "": the two lines
	Priorities map[bench.Severity]string // by severity; nil: 5, 4 and 3
	Roots      *x509.CertPool            // authorities to trust; nil: those of this computer
}

// defaultBody is two lines as a lock screen shows them.
const defaultBody = "{{title .}}\n{{text .}}"

// mostBody is how long a request may be, in bytes.
const mostBody = 64 << 10

// quietPriority is that of what need not ring.
const quietPriority = "2"

func priorityOf(m *alert.Message, of map[bench.Severity]string) string {
	if m.Quiet() {
		return quietPriority
	}
	return of[m.Alert.Severity]
}

var defaultPriorities = map[bench.Severity]string{bench.Danger: "5", bench.Caution: "4", bench.Notice: "3"}

// Outlet delivers. Any goroutine may use it.
type Outlet struct {
	method  string
	url     *url.URL
	headers map[string]*template.Template
	body    *template.Template
	client  *post.Client
}

// New checks the options; the templates are tried on a sample.
func New(o Options) (*Outlet, error) {
	out, err := build(o)
	if err == nil {
		err = out.try()
	}
	if err != nil {
		return nil, fmt.Errorf("publish %q: %w", o.Name, err)
	}
	return out, nil
}

func build(o Options) (*Outlet, error) {
	u, err := post.Address(o.URL)
	if err != nil {
		return nil, err
	}
	if o.Priorities == nil {
		o.Priorities = defaultPriorities
	}
	out := &Outlet{method: strings.ToUpper(o.Method), url: u, headers: map[string]*template.Template{}}
	if out.method == "" {
		out.method = http.MethodPost
	}
	if !slices.Contains([]string{http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodGet}, out.method) {
		return nil, fmt.Errorf("method %q: must be POST, PUT, PATCH or GET", o.Method)
	}
	if o.Body == "" {
		o.Body = defaultBody
	}
	if out.body, err = parse("body", o.Body, o.Priorities); err != nil {
		return nil, err
	}
	for name, text := range o.Headers {
		if out.headers[name], err = parse("header "+name, text, o.Priorities); err != nil {
			return nil, err
		}
	}
	out.client = post.New(post.Options{Roots: o.Roots, Hide: post.Secrets(u, slices.Collect(maps.Values(o.Headers))...)})
	return out, nil
}

func parse(name, text string, priorities map[bench.Severity]string) (*template.Template, error) {
	t, err := template.New(name).Option("missingkey=error").Funcs(template.FuncMap{
		"title":    (*alert.Message).Title,
		"text":     (*alert.Message).Text,
		"priority": func(m *alert.Message) string { return priorityOf(m, priorities) },
		"json":     toJSON,
		"word":     func(s string) string { return mime.QEncoding.Encode("utf-8", s) },
	}).Parse(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, trimmed(err))
	}
	return t, nil
}

func toJSON(v any) (string, error) {
	b, err := json.Marshal(v)
	return string(b), err
}

// trimmed takes the prefix away that text/template puts before each error.
func trimmed(err error) error {
	return errors.New(strings.TrimPrefix(err.Error(), "template: "))
}

// try makes the request for a sample of each severity, and for one with nothing in
// it that may be missing.
func (o *Outlet) try() error {
	bare := &alert.Message{Key: "bench.test.1.test", Deed: alert.Test, Bench: "bench"}
	bare.Alert.Kind, bare.Alert.Severity, bare.Alert.Title = bench.AlertTest, bench.Notice, "Test"
	samples := []*alert.Message{bare}
	for _, severity := range bench.Severities() {
		samples = append(samples, sample(severity))
	}
	for _, m := range samples {
		if _, err := o.request(context.Background(), m); err != nil {
			return err
		}
	}
	return nil
}

// sample is a message with everything in it.
func sample(severity bench.Severity) *alert.Message {
	at := time.Date(2026, 3, 2, 21, 14, 5, 0, time.UTC)
	point := bench.AlertPoint{Station: "s1", Kind: bench.AlertDropped}
	v := bench.AlertView{Alert: bench.Alert{
		Key: point.KeyAt(at), Kind: point.Kind, Severity: severity, Station: "s1", Name: "left", Case: "C-0042",
		Title: "left: dropped at 21:14:05", Text: `Up 1:12:03 of 2 h. "Check" the supply.`, Why: []string{"current fell"}, Do: "Check the supply.",
		Since: at, Amps: unit.Some(2 * unit.Milliampere), Before: unit.Some(412 * unit.Milliampere), Event: "0f1e2d",
	}, State: bench.AlertUnacknowledged, Changed: at, Stands: true, Raised: at}
	return &alert.Message{
		Key: v.Key + ".raised", Deed: alert.Raised, Alert: v, Bench: "bench", To: "kim", Link: "https://bench.example/alerts/" + v.Key, Made: at,
		Missed: []alert.Missed{{Key: v.Key, Severity: severity, Title: v.Title, Since: at}},
	}
}

// String names the outlet without what is secret in its address.
func (o *Outlet) String() string { return "publish to " + o.url.Host }

// Deliver makes the request and sends it.
func (o *Outlet) Deliver(ctx context.Context, m *alert.Message) error {
	req, err := o.request(ctx, m)
	if err != nil {
		return alert.Permanent(err)
	}
	return o.client.Send(req)
}

func (o *Outlet) request(ctx context.Context, m *alert.Message) (*http.Request, error) {
	body, err := fill(o.body, m)
	if err != nil {
		return nil, err
	}
	if len(body) > mostBody {
		return nil, fmt.Errorf("body: %d bytes, the most is %d", len(body), mostBody)
	}
	req, err := http.NewRequestWithContext(ctx, o.method, o.url.String(), strings.NewReader(body))
	if err != nil {
		return nil, errors.New("the address cannot be used")
	}
	req.Header.Set("Idempotency-Key", m.Key)
	req.Header.Set("Content-Type", "text/plain; charset=utf-8")
	if json.Valid([]byte(body)) && strings.HasPrefix(strings.TrimSpace(body), "{") {
		req.Header.Set("Content-Type", "application/json")
	}
	for _, name := range slices.Sorted(maps.Keys(o.headers)) {
		if err := setHeader(req.Header, name, o.headers[name], m); err != nil {
			return nil, err
		}
	}
	return req, nil
}

// setHeader fills a header in one line: what an alert says must not begin another.
func setHeader(h http.Header, name string, t *template.Template, m *alert.Message) error {
	value, err := fill(t, m)
	if err != nil {
		return err
	}
	value = strings.Join(strings.Fields(value), " ")
	if !post.Header(name, value) {
		return fmt.Errorf("header %q: name or value has characters that a header cannot hold", name)
	}
	if value != "" {
		h.Set(name, value)
	}
	return nil
}

func fill(t *template.Template, m *alert.Message) (string, error) {
	var b strings.Builder
	if err := t.Execute(&b, m); err != nil {
		return "", trimmed(err)
	}
	return b.String(), nil
}
