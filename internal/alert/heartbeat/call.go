package heartbeat

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
)

// What is taken of an answer; nothing in it matters.
const (
	mostHeader = 64 << 10
	mostBody   = 64 << 10
)

// mostRedirects within the same host.
const mostRedirects = 5

// errElsewhere and errRound refuse a redirect; they do not say where to, which
// may repeat the secret.
var (
	errElsewhere = errors.New("it sends the call on to another host or away from https: give the address that answers itself")
	errRound     = fmt.Errorf("it sends the call on more than %d times", mostRedirects)
)

// clientOf is the client of some options under our rules.
func clientOf(o Options) http.Client {
	c := http.Client{Timeout: o.Timeout, CheckRedirect: redirect, Transport: o.Transport}
	if c.Transport != nil {
		return c
	}
	own := http.DefaultTransport.(*http.Transport).Clone() //nolint:forcetypeassert // net/http documents it
	own.MaxResponseHeaderBytes = mostHeader
	own.MaxIdleConns = 1
	c.Transport = own
	return c
}

// redirect follows within the host that was meant. The secret must not travel
// to another one, nor be read on the way.
func redirect(to *http.Request, via []*http.Request) error {
	from := via[len(via)-1].URL
	switch {
	case !strings.EqualFold(to.URL.Host, from.Host), from.Scheme == "https" && to.URL.Scheme != "https":
		return errElsewhere
	case len(via) > mostRedirects:
		return errRound
	}
	return nil
}

// call is one request. Its errors are ours: those of net/http show the address
// and what the other side sent, which may repeat it.
func (b *Beater) call(ctx context.Context) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, b.opts.URL, http.NoBody)
	if err != nil {
		return errors.New("no request can be made of the address")
	}
	req.Header.Set("User-Agent", "benchvigil")
	res, err := b.client.Do(req)
	if err != nil {
		return b.explain(err)
	}
	// Read, so that the connection can be used again; the answer is already known.
	_, _ = io.Copy(io.Discard, io.LimitReader(res.Body, mostBody))
	_ = res.Body.Close()
	if res.StatusCode < 200 || res.StatusCode > 299 {
		return fmt.Errorf("it answers %d %s", res.StatusCode, http.StatusText(res.StatusCode))
	}
	return nil
}

// explain says in words without the address what became of a request. Errors of
// the network and of TLS name hosts at most: they are from before the address is
// sent, or from the system.
func (b *Beater) explain(err error) error {
	for _, ours := range []error{errElsewhere, errRound} {
		if errors.Is(err, ours) {
			return ours
		}
	}
	if e, ok := errors.AsType[net.Error](err); ok && e.Timeout() {
		return fmt.Errorf("no answer within %s", b.opts.Timeout)
	}
	if e, ok := errors.AsType[*net.OpError](err); ok {
		return e
	}
	if e, ok := errors.AsType[*tls.CertificateVerificationError](err); ok {
		return e
	}
	if errors.Is(err, http.ErrSchemeMismatch) {
		return errors.New("it speaks http, not https")
	}
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.ErrClosedPipe) {
		return errors.New("the connection ended before there was an answer")
	}
	return errors.New("there was no answer in HTTP")
}
