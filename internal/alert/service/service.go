// Package service delivers alerts through the notification services that the
// library shoutrrr speaks to, each named by a URL such as
// ntfy://ntfy.sh/topic. It decides nothing about alerts.
//
// The library knows no contexts and puts the URL with its token into errors. So
// each delivery runs aside: one that hangs is left behind, and when some hang no
// more are begun until one ends. Of an error only what gives no part of the URL
// away is passed on. The library follows redirects.
package service

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"
	"github.com/nicholas-fedor/shoutrrr/pkg/util/jsonclient"

	"benchvigil/internal/alert"
)

// Options of an Outlet. URL is needed.
type Options struct {
	Name    string
	URL     string        // holds a token, most of the time
	Timeout time.Duration // for one delivery; 0: 30 s
}

// mostAside is how many deliveries may hang.
const mostAside = 3

// Outlet delivers. Any goroutine may use it.
type Outlet struct {
	o      Options
	scheme string
	titled bool
	hide   *strings.Replacer
	aside  chan struct{} // a place for each delivery under way
}

// New checks the options. Nothing is connected to.
func New(o Options) (*Outlet, error) {
	u, err := parse(o.URL)
	if err != nil {
		return nil, fmt.Errorf("service %q: %w", o.Name, err)
	}
	o.Timeout = cmp.Or(o.Timeout, 30*time.Second)
	scheme := schemeOf(u)
	return &Outlet{o: o, scheme: scheme, titled: hasTitle(scheme, u), hide: hiding(o.URL, u), aside: make(chan struct{}, mostAside)}, nil
}

// Check says what is wrong with the URL of a service, without repeating any of
// it but its service.
func Check(text string) error {
	_, err := parse(text)
	return err
}

// elsewhere are services of the library that have no place here, and what to do
// instead.
var elsewhere = map[string]string{
	"smtp":   "use an outlet of kind email",
	"logger": "it reaches nobody",
}

func parse(text string) (*url.URL, error) {
	u, err := url.Parse(text)
	if err != nil || u.Scheme == "" {
		return nil, errors.New("url: it cannot be read: write it as the name of a service and :// and what the service asks for, such as ntfy://ntfy.sh/topic")
	}
	scheme := schemeOf(u)
	var r router.ServiceRouter
	known := slices.DeleteFunc(r.ListServices(), func(s string) bool { return elsewhere[s] != "" })
	slices.Sort(known)
	switch {
	case elsewhere[scheme] != "":
		return nil, fmt.Errorf("url: %s: %s", scheme, elsewhere[scheme])
	case !slices.Contains(known, scheme):
		return nil, fmt.Errorf("url: no such service: it must begin with one of %s, and ://", strings.Join(known, ", "))
	case scheme == "matrix": // would log in
		return u, nil
	}
	if _, err := locate(text); err != nil {
		return nil, fmt.Errorf("url: something that %s needs is missing or wrong: compare it with the description of that service at shoutrrr", scheme)
	}
	return u, nil
}

// locate makes the library's sender. It changes with each message, so that each
// gets its own.
func locate(text string) (s types.Service, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = errors.New("the library panics")
		}
	}()
	var r router.ServiceRouter
	return r.Locate(text)
}

func schemeOf(u *url.URL) string {
	scheme, _, _ := strings.Cut(strings.ToLower(u.Scheme), "+")
	return scheme
}

// withTitle are the services whose messages have a title of their own.
var withTitle = []string{
	"bark", "discord", "gotify", "ifttt", "join", "lark", "matrix", "mattermost", "notifiarr", "ntfy", "opsgenie",
	"pushbullet", "pushover", "slack", "teams", "telegram",
}

func hasTitle(scheme string, u *url.URL) bool {
	return slices.Contains(withTitle, scheme) || scheme == "generic" && u.Query().Get("template") != ""
}

// hiding takes every part of a URL out of a text that could be a token. A host
// with a dot is none.
func hiding(text string, u *url.URL) *strings.Replacer {
	parts := append([]string{text, u.Opaque, u.RawQuery}, strings.FieldsFunc(u.Path, func(r rune) bool { return r == '/' || r == ':' })...)
	parts = append(parts, strings.Split(u.EscapedPath(), "/")...)
	if host := u.Hostname(); !strings.ContainsAny(host, ".:") && host != "localhost" {
		parts = append(parts, host, u.Host)
	}
	if u.User != nil {
		password, _ := u.User.Password()
		parts = append(parts, u.User.String(), u.User.Username(), password)
	}
	for _, values := range u.Query() {
		parts = append(parts, values...)
	}
	slices.SortFunc(parts, func(a, b string) int { return cmp.Compare(len(b), len(a)) })
	var pairs []string
	for _, p := range parts {
		if len(p) > 2 { // shorter ones hide nothing, and stand in every text
			pairs = append(pairs, p, "…")
		}
	}
	return strings.NewReplacer(pairs...)
}

// String names the outlet.
func (o *Outlet) String() string { return "service " + o.scheme }

// Deliver sends the message, or gives up when its time is over.
func (o *Outlet) Deliver(ctx context.Context, m *alert.Message) error {
	ctx, cancel := context.WithTimeout(ctx, o.o.Timeout)
	defer cancel()
	if ctx.Err() != nil {
		return fmt.Errorf("%s: %w", o, context.Cause(ctx))
	}
	select {
	case o.aside <- struct{}{}:
	default:
		return fmt.Errorf("%s: %d earlier tries still hang", o, mostAside)
	}
	done := make(chan error, 1)
	go func() {
		defer func() { <-o.aside }()
		done <- o.send(m)
	}()
	select {
	case err := <-done:
		return o.judge(err)
	case <-ctx.Done():
		return fmt.Errorf("%s: no answer in time: %w", o, context.Cause(ctx))
	}
}

var errPanic = errors.New("the library panics")

// send makes one delivery. It may take for ever.
func (o *Outlet) send(m *alert.Message) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = errPanic
		}
	}()
	s, err := locate(o.o.URL)
	if err != nil {
		return err
	}
	title, text := oneLine(m.Title()), textOf(m)
	params := types.Params{}
	if o.titled {
		params.SetTitle(title)
	} else {
		text = title + "\n" + text
	}
	return s.Send(text, &params)
}

// textOf is what is said below the title.
func textOf(m *alert.Message) string {
	lines := []string{m.Text()}
	if m.Alert.Do != "" && m.Deed != alert.Taken && m.Deed != alert.Returned {
		lines = append(lines, "What to do: "+m.Alert.Do)
	}
	if m.Link != "" {
		lines = append(lines, m.Link)
	}
	return strings.Join(slices.DeleteFunc(lines, func(s string) bool { return s == "" }), "\n")
}

// oneLine keeps a title from becoming more of a request than a title: some
// services send it as a header.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// judge says what an error of the library means, without what is secret.
func (o *Outlet) judge(err error) error {
	if err == nil {
		return nil
	}
	code := statusOf(err)
	said := fmt.Errorf("%s: %s", o, o.say(err, code))
	switch code {
	case 0, http.StatusRequestTimeout, http.StatusTooEarly, http.StatusTooManyRequests:
		if errors.Is(err, errPanic) {
			return alert.Permanent(said)
		}
		return said
	}
	if code >= 400 && code < 500 {
		return alert.Permanent(said)
	}
	return said
}

// status finds an HTTP status in a text: after a word that announces it, or
// before its meaning.
var status = regexp.MustCompile(`(?i)(?:\b(?:status|http|code)\b[^0-9\n]{0,40}([45]\d\d)\b)|(?:\b([45]\d\d) ([A-Za-z' -]+))`)

// statusOf is the HTTP status that an error tells of, 0 for none.
func statusOf(err error) int {
	if e, ok := errors.AsType[jsonclient.Error](err); ok {
		return e.StatusCode
	}
	if _, ok := errors.AsType[*url.Error](err); ok {
		return 0 // no answer, and numbers in the text are of addresses
	}
	for _, found := range status.FindAllStringSubmatch(err.Error(), -1) {
		code, _ := strconv.Atoi(found[1] + found[2])
		if found[1] != "" || strings.HasPrefix(found[3], http.StatusText(code)) && http.StatusText(code) != "" {
			return code
		}
	}
	return 0
}

// mostSaid bounds what is passed on of an error, in bytes.
const mostSaid = 300

// address finds whatever looks like one.
var address = regexp.MustCompile(`[A-Za-z][A-Za-z0-9+.-]*://[^\s"']+`)

// say is what may be told of an error.
func (o *Outlet) say(err error, code int) string {
	if code >= 400 {
		return strings.TrimSpace(fmt.Sprintf("the service answers %d %s", code, http.StatusText(code)))
	}
	text := err.Error()
	if e, ok := errors.AsType[*url.Error](err); ok {
		text = e.Err.Error()
	} else if e, ok := errors.AsType[net.Error](err); ok {
		text = e.Error()
	}
	text = o.hide.Replace(address.ReplaceAllString(strings.Join(strings.Fields(text), " "), "…"))
	if len(text) > mostSaid {
		text = strings.ToValidUTF8(text[:mostSaid], "") + "…"
	}
	return text
}
