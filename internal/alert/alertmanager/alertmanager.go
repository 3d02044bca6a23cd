// Package alertmanager delivers alerts to a Prometheus Alertmanager, by its API v2.
// An Alertmanager holds what it is told only for a time and forgets all of it when
// it is started again, so that Run posts everything that stands at least once a
// minute, each time to end five minutes later. What has returned to normal, was
// shelved or switched off is posted once more, ending now.
//
// Labels are few and do not change while an alert stands: alertname (Benchvigil and
// the kind, as BenchvigilCurrentHigh), bench, station, kind, rule, severity (danger,
// caution, notice). If the severity changes, the alert of the old one is ended.
// Annotations are summary, description, do, why, name, case.
package alertmanager

import (
	"cmp"
	"context"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode"

	"go.uber.org/zap"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/post"
	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
)

const (
	// lasts is how long an alert stands there without being posted again.
	lasts = 5 * time.Minute
	// usually and atMost are the times between two posts.
	usually, atMost = 45 * time.Second, time.Minute
	// soon is how long until a post that failed is tried again.
	soon = 5 * time.Second
	// timeout bounds a post of Run.
	timeout = 10 * time.Second
)

// Options of an Outlet. Name, URL, Bench and Standing are needed.
type Options struct {
	Name     string
	URL      string            // of the Alertmanager, with its route prefix if it has one; http or https
	Headers  map[string]string // sent besides, such as Authorization
	Bench    string
	Standing func() []bench.AlertView     // what stands now, the alerts that are held back included
	Link     func(bench.AlertView) string // page of an alert; nil or "": none
	Every    time.Duration                // between two posts; 0: 45 s, at most a minute
	Roots    *x509.CertPool               // authorities to trust; nil: those of this computer
	Now      func() time.Time             // nil: time.Now
	Logger   *zap.Logger
}

func (o *Options) validate() error {
	if o.Standing == nil {
		return errors.New("nobody says what stands")
	}
	if o.Every = cmp.Or(o.Every, usually); o.Every <= 0 || o.Every > atMost {
		return fmt.Errorf("every %v: must be more than 0 and at most %v", o.Every, atMost)
	}
	for name, value := range o.Headers {
		if !post.Header(name, value) {
			return fmt.Errorf("header %q: name or value has characters that a header cannot hold", name)
		}
	}
	if o.Link == nil {
		o.Link = func(bench.AlertView) string { return "" }
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	return nil
}

// Outlet delivers, and posts what stands. Any goroutine may use it.
type Outlet struct {
	o      Options
	url    *url.URL
	client *post.Client
	turn   chan struct{} // one post at a time: what stands must not be overtaken by what stood
	posted map[string]posted
}

// posted is an alert as the API takes it.
type posted struct {
	Labels      map[string]string `json:"labels"`
	Annotations map[string]string `json:"annotations"`
	StartsAt    time.Time         `json:"startsAt"`
	EndsAt      time.Time         `json:"endsAt"`
	Generator   string            `json:"generatorURL,omitempty"`
}

// New checks the options.
func New(o Options) (*Outlet, error) {
	u, err := post.Address(o.URL)
	if err == nil {
		err = o.validate()
	}
	if err != nil {
		return nil, fmt.Errorf("alertmanager %q: %w", o.Name, err)
	}
	out := &Outlet{o: o, url: u.JoinPath("api", "v2", "alerts"), turn: make(chan struct{}, 1), posted: map[string]posted{}}
	out.client = post.New(post.Options{Roots: o.Roots, Hide: post.Secrets(u, slices.Collect(maps.Values(o.Headers))...)})
	return out, nil
}

// String names the outlet without what is secret in its address.
func (o *Outlet) String() string { return "Alertmanager at " + o.url.Host }

// Deliver posts the alert of the message as it stood then.
func (o *Outlet) Deliver(ctx context.Context, m *alert.Message) error {
	select {
	case o.turn <- struct{}{}:
		defer func() { <-o.turn }()
	case <-ctx.Done():
		return ctx.Err()
	}
	now := o.o.Now()
	p := o.alert(m.Alert, now)
	if text := m.Text(); text != "" {
		p.Annotations["description"] = text
	}
	if !stands(m.Alert) && !m.Alert.Passing && m.Deed != alert.Test {
		p.EndsAt = now
	}
	next := maps.Clone(o.posted)
	maps.DeleteFunc(next, func(_ string, old posted) bool { return samePoint(old, p) })
	if stands(m.Alert) {
		next[id(p)] = p
	}
	return o.post(ctx, next, now, p)
}

// Run posts what stands, at once and then from time to time, until the context is
// done. Errors are logged: the next post mends them, and Deliver tells of them.
func (o *Outlet) Run(ctx context.Context) error {
	var failing error
	for {
		err := o.round(ctx)
		wait := o.o.Every
		if err != nil {
			wait = min(wait, soon)
		}
		if ctx.Err() == nil {
			o.report(err, failing)
		}
		failing = err
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(wait):
		}
	}
}

func (o *Outlet) report(err, before error) {
	switch {
	case err != nil && before == nil:
		o.o.Logger.Warn("standing alerts cannot be posted", logkey.Outlet(o.o.Name), logkey.Err(err))
	case err == nil && before != nil:
		o.o.Logger.Info("standing alerts are posted again", logkey.Outlet(o.o.Name))
	}
}

func (o *Outlet) round(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	select {
	case o.turn <- struct{}{}:
		defer func() { <-o.turn }()
	case <-ctx.Done():
		return ctx.Err()
	}
	now, next := o.o.Now(), map[string]posted{}
	for _, v := range o.o.Standing() {
		if stands(v) {
			p := o.alert(v, now)
			next[id(p)] = p
		}
	}
	return o.post(ctx, next, now, slices.Collect(maps.Values(next))...)
}

// post posts alerts, ends those that are not among what is to stand, and remembers
// what stands if all of that was taken.
func (o *Outlet) post(ctx context.Context, next map[string]posted, now time.Time, alerts ...posted) error {
	for key, old := range o.posted {
		if _, ok := next[key]; !ok && !slices.ContainsFunc(alerts, func(p posted) bool { return id(p) == key }) {
			old.EndsAt = now
			alerts = append(alerts, old)
		}
	}
	if len(alerts) == 0 {
		return nil
	}
	if err := o.send(ctx, alerts); err != nil {
		return err
	}
	o.posted = next
	return nil
}

func (o *Outlet) send(ctx context.Context, alerts []posted) error {
	body, err := json.Marshal(alerts)
	if err != nil {
		return alert.Permanent(fmt.Errorf("encode: %w", err))
	}
	req, err := post.Request(ctx, o.url, o.o.Headers, "application/json", body)
	if err != nil {
		return err
	}
	return o.client.Send(req)
}

// stands reports an alert that somebody has to know of.
func stands(v bench.AlertView) bool {
	return v.Stands && (v.State == bench.AlertUnacknowledged || v.State == bench.AlertAcknowledged)
}

// alert writes an alert that stands.
func (o *Outlet) alert(v bench.AlertView, now time.Time) posted {
	starts := v.Since
	if starts.After(now) { // the clock was stepped back
		starts = now
	}
	return posted{
		Labels: without(map[string]string{
			"alertname": "Benchvigil" + camel(string(v.Kind)), "bench": o.o.Bench, "station": v.Station,
			"kind": string(v.Kind), "rule": v.Rule, "severity": string(v.Severity),
		}),
		Annotations: without(map[string]string{
			"summary": v.Title, "description": v.Text, "do": v.Do, "why": strings.Join(v.Why, "; "), "name": v.Name, "case": v.Case,
		}),
		StartsAt: starts, EndsAt: now.Add(lasts), Generator: o.o.Link(v),
	}
}

// without leaves out what is empty.
func without(m map[string]string) map[string]string {
	maps.DeleteFunc(m, func(_, value string) bool { return value == "" })
	return m
}

// camel writes current-high as CurrentHigh.
func camel(kind string) string {
	var b strings.Builder
	for _, word := range strings.Split(kind, "-") {
		for i, r := range word {
			if i == 0 {
				r = unicode.ToUpper(r)
			}
			b.WriteRune(r)
		}
	}
	return b.String()
}

// id is what the Alertmanager knows an alert by: its labels.
func id(p posted) string {
	var b strings.Builder
	for _, name := range slices.Sorted(maps.Keys(p.Labels)) {
		fmt.Fprintf(&b, "%s=%q,", name, p.Labels[name])
	}
	return b.String()
}

// samePoint reports alerts that differ in nothing but severity.
func samePoint(a, b posted) bool {
	for _, name := range []string{"station", "kind", "rule"} {
		if a.Labels[name] != b.Labels[name] {
			return false
		}
	}
	return true
}
