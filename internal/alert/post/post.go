// Package post sends one HTTP request of an outlet and says what came of it in
// the terms of package alert: delivered, to be tried again, to be left alone for
// a while, or not to be mended by any try. Its errors hold no secrets. It knows
// nothing of what is sent.
package post

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
	"unicode"

	"golang.org/x/net/http/httpguts"

	"benchvigil/internal/alert"
)

const (
	// mostRead is how much of an answer is read at all, in bytes.
	mostRead = 64 << 10
	// mostSaid is how much of it goes into an error, in bytes.
	mostSaid = 200
	// patience is for how long the rest of an answer is waited for, so that the
	// connection can be used again. What was decided by then stands.
	patience = 250 * time.Millisecond
	// dialing bounds connecting and the TLS handshake each.
	dialing = 10 * time.Second
)

// Options of a Client; the zero value will do.
type Options struct {
	Roots *x509.CertPool // authorities to trust; nil: those of this computer
	Hide  []string       // secrets that a server may repeat, not to be shown; see Secrets
}

// Client sends. Any goroutine may use it.
type Client struct {
	http *http.Client
	hide *strings.Replacer
}

// New makes a Client.
func New(o Options) *Client {
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.TLSClientConfig = &tls.Config{RootCAs: o.Roots, MinVersion: tls.VersionTLS12}
	t.TLSHandshakeTimeout = dialing
	t.MaxResponseHeaderBytes = mostRead
	var pairs []string
	for _, secret := range o.Hide {
		if secret != "" {
			pairs = append(pairs, secret, "…")
		}
	}
	return &Client{
		http: &http.Client{Transport: t, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }},
		hide: strings.NewReplacer(pairs...),
	}
}

// Request makes a POST of a body, with headers besides its type.
func Request(ctx context.Context, u *url.URL, headers map[string]string, kind string, body []byte) (*http.Request, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, u.String(), bytes.NewReader(body))
	if err != nil {
		return nil, alert.Permanent(errors.New("make the request: the address cannot be used"))
	}
	for name, value := range headers {
		req.Header.Set(name, value)
	}
	req.Header.Set("Content-Type", kind)
	return req, nil
}

// Send sends one request and is done when the server has decided: any status of
// 2xx is success. No redirect is followed: what is sent is meant for the one
// address that was configured.
func (c *Client) Send(req *http.Request) error {
	ctx, cancel := context.WithCancel(req.Context())
	defer cancel()
	resp, err := c.http.Do(req.WithContext(ctx))
	if err != nil {
		return c.unsent(err)
	}
	defer func() { _ = resp.Body.Close() }()
	defer time.AfterFunc(patience, cancel).Stop()
	said, _ := io.ReadAll(io.LimitReader(resp.Body, mostRead)) // the status has decided
	if resp.StatusCode/100 == 2 {
		return nil
	}
	return judge(resp, c.excerpt(said), time.Now())
}

// judge says what a status other than 2xx means.
func judge(resp *http.Response, said string, now time.Time) error {
	err := errors.New("the server answered " + strings.TrimSpace(strconv.Itoa(resp.StatusCode)+" "+http.StatusText(resp.StatusCode)))
	if said != "" {
		err = fmt.Errorf("%w: %s", err, said)
	}
	switch code := resp.StatusCode; {
	case code/100 == 3:
		return fmt.Errorf("%w: redirects are not followed, enter the address that it leads to", err)
	case code/100 == 4 && code != http.StatusRequestTimeout && code != http.StatusTooEarly && code != http.StatusTooManyRequests:
		return alert.Permanent(err)
	}
	if wait := RetryAfter(resp.Header.Get("Retry-After"), now); wait > 0 {
		return alert.Later(err, wait)
	}
	return err
}

// RetryAfter reads the header of that name (RFC 9110, section 10.2.3): seconds,
// or a date. It is 0 for what cannot be read or is over.
func RetryAfter(value string, now time.Time) time.Duration {
	value = strings.TrimSpace(value)
	if s, err := strconv.ParseUint(value, 10, 31); err == nil {
		return time.Duration(s) * time.Second
	}
	if t, err := http.ParseTime(value); err == nil {
		return max(t.Sub(now), 0)
	}
	return 0
}

// unsent says why a request got no answer, without its address: that may hold a
// token.
func (c *Client) unsent(err error) error {
	if u, ok := errors.AsType[*url.Error](err); ok {
		err = u.Err
	}
	if _, ok := errors.AsType[x509.UnknownAuthorityError](err); ok {
		return fmt.Errorf("%w: this computer, or the outlet's settings, must know that authority", err)
	}
	if text := err.Error(); c.hide.Replace(text) != text {
		return errors.New(c.hide.Replace(text))
	}
	return err
}

// excerpt is the beginning of an answer in one printable line.
func (c *Client) excerpt(said []byte) string {
	text := strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) {
			return ' '
		}
		if !unicode.IsPrint(r) || r == unicode.ReplacementChar {
			return -1
		}
		return r
	}, c.hide.Replace(strings.ToValidUTF8(string(said), "")))
	text = strings.Join(strings.Fields(text), " ")
	if len(text) > mostSaid {
		text = strings.ToValidUTF8(text[:mostSaid], "") + "…"
	}
	return text
}

// Address reads the address of a server: absolute, http or https. Its errors do
// not repeat it.
func Address(text string) (*url.URL, error) {
	u, err := url.Parse(text)
	if err != nil {
		if e, ok := errors.AsType[*url.Error](err); ok {
			err = e.Err
		}
		return nil, fmt.Errorf("url: %w", err)
	}
	if u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		return nil, errors.New("url: must begin with http:// or https:// and a host")
	}
	return u, nil
}

// Secrets lists what of an address and of header values may be a secret: long
// parts of path and query, passwords, and every header value that is not short.
func Secrets(u *url.URL, headers ...string) (out []string) {
	if u == nil {
		u = &url.URL{}
	}
	if password, ok := u.User.Password(); ok {
		out = append(out, password)
	}
	words := append(strings.Split(u.Path, "/"), headers...)
	for _, values := range u.Query() {
		words = append(words, values...)
	}
	for _, w := range words {
		if len(w) >= 8 {
			out = append(out, w)
		}
		if _, token, ok := strings.Cut(w, " "); ok && len(token) >= 8 { // Bearer, Basic
			out = append(out, token)
		}
	}
	return out
}

// Header reports a name and a value that an HTTP header can hold.
func Header(name, value string) bool {
	return httpguts.ValidHeaderFieldName(name) && httpguts.ValidHeaderFieldValue(value)
}
