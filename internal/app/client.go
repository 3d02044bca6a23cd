package app

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"slices"
	"strings"
	"syscall"
	"time"

	"benchvigil/internal/api"
	"benchvigil/internal/config"
)

// DefaultURL is where the daemon listens unless its configuration says
// otherwise.
const DefaultURL = "http://127.0.0.1:8420"

// answerWithin is how long the daemon may take for one answer.
const answerWithin = 5 * time.Second

// The environment says who asks a bench beyond this computer, and whom to trust
// there. A token on the command line would stand in the list of processes.
const (
	TokenEnv     = config.EnvPrefix + "TOKEN"     // a token of the bench
	AuthorityEnv = config.EnvPrefix + "AUTHORITY" // file of the authority of its certificate, PEM
)

// client talks to a running daemon.
type client struct {
	base, token string
	http        *http.Client
}

func newClient(base string) (*client, error) {
	if !strings.Contains(base, "://") && strings.Contains(base, ":") {
		base = "http://" + base
	}
	u, err := url.Parse(base)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, fmt.Errorf("%w: --url %q: write it like %s", ErrCommand, base, DefaultURL)
	}
	c := &client{base: strings.TrimRight(base, "/"), token: strings.TrimSpace(os.Getenv(TokenEnv)), http: http.DefaultClient}
	if c.token != "" && u.Scheme != "https" && !loopbackHost(u.Hostname()) {
		return nil, fmt.Errorf("%w: --url %s: a token goes by https alone: anybody on the way could read it", ErrCommand, c.base)
	}
	if file := os.Getenv(AuthorityEnv); file != "" {
		c.http, err = trusting(file)
	}
	return c, err
}

func loopbackHost(name string) bool {
	a, err := netip.ParseAddr(name)
	return name == "localhost" || err == nil && a.IsLoopback()
}

// trusting is a client that trusts an authority besides those of the computer.
func trusting(file string) (*http.Client, error) {
	pem, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrCommand, AuthorityEnv, err)
	}
	pool, err := x509.SystemCertPool()
	if err != nil {
		pool = x509.NewCertPool()
	}
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%w: %s: %s has no certificate: it is authority.pem of the folder that benchvigil access certificate made", ErrCommand, AuthorityEnv, file)
	}
	t := http.DefaultTransport.(*http.Transport).Clone() //nolint:errcheck,forcetypeassert // it is one
	t.TLSClientConfig = &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	return &http.Client{Transport: t}, nil
}

// do sends a request and returns the answer; anything but success is an error
// in the daemon's own words.
func (c *client) do(ctx context.Context, method, path string, body any) (*http.Response, error) {
	var in io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			return nil, err
		}
		in = bytes.NewReader(b)
	}
	req, err := http.NewRequestWithContext(ctx, method, c.base+path, in)
	if err != nil {
		return nil, err
	}
	req.Header.Set("Content-Type", "application/json")
	if c.token != "" {
		req.Header.Set("Authorization", "Bearer "+c.token) // RFC 6750, 2.1
	}
	res, err := c.http.Do(req)
	if err != nil {
		return nil, c.explain(err)
	}
	if res.StatusCode >= 300 {
		defer res.Body.Close() //nolint:errcheck // the answer is an error already
		return nil, refusal(res)
	}
	return res, nil
}

// explain puts the usual reason into words.
func (c *client) explain(err error) error {
	if errors.Is(err, syscall.ECONNREFUSED) {
		return fmt.Errorf("no benchvigil listens on %s: start it with %s, or name its address with --url", c.base, startedBy(hasService(os.DirFS("/"))))
	}
	if errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("%s does not answer: %w", c.base, err)
	}
	var unknown x509.UnknownAuthorityError
	var other x509.HostnameError
	switch {
	case errors.As(err, &unknown):
		return fmt.Errorf("%s shows a certificate that nobody here trusts: copy authority.pem from the bench computer, and name the file in %s", c.base, AuthorityEnv)
	case errors.As(err, &other):
		return fmt.Errorf("%s has no certificate for that name: use one of %s, or renew it for this one by benchvigil access certificate", c.base, strings.Join(namesIn(other.Certificate), ", "))
	case strings.Contains(err.Error(), "server gave HTTP response to HTTPS client"): // net/http has no value for it
		return fmt.Errorf("%s does not speak https: name it by http://", c.base)
	}
	return err
}

// namesIn are the names and addresses that a certificate is for.
func namesIn(c *x509.Certificate) []string {
	out := slices.Clone(c.DNSNames)
	for _, ip := range c.IPAddresses {
		out = append(out, ip.String())
	}
	return out
}

// startedBy is the command that starts a daemon.
func startedBy(service bool) string {
	if service {
		return "systemctl start benchvigil (its log: journalctl -u benchvigil) or benchvigil run"
	}
	return "benchvigil run"
}

func refusal(res *http.Response) error {
	var p struct{ Detail string }
	b, err := io.ReadAll(io.LimitReader(res.Body, 64<<10))
	switch {
	case res.StatusCode == http.StatusUnauthorized && os.Getenv(TokenEnv) == "":
		return fmt.Errorf("this bench wants to know who asks: make a token on its computer by benchvigil access token add NAME --role work, and put it into %s", TokenEnv)
	case res.StatusCode == http.StatusUnauthorized:
		return fmt.Errorf("the bench does not know the token in %s: it was revoked, or is of another bench", TokenEnv)
	case res.StatusCode == http.StatusBadRequest && strings.Contains(string(b), "HTTP request to an HTTPS server"):
		return errors.New("the bench speaks https alone: name it by --url https://")
	}
	if err == nil && json.Unmarshal(b, &p) == nil && p.Detail != "" {
		if res.StatusCode == http.StatusNotFound || res.StatusCode == http.StatusUnprocessableEntity {
			return fmt.Errorf("%w: %s", ErrCommand, p.Detail)
		}
		return errors.New(p.Detail)
	}
	return fmt.Errorf("the daemon answers %s: %s", res.Status, strings.TrimSpace(string(b)))
}

// stations asks what all stations look like, and what everybody should know.
func (c *client) stations(ctx context.Context) (_ []api.Status, notice string, _ error) {
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	res, err := c.do(ctx, http.MethodGet, "/api/v1/stations", nil)
	if err != nil {
		return nil, "", err
	}
	defer res.Body.Close() //nolint:errcheck // read to its end
	var out []api.Status
	if err := json.NewDecoder(res.Body).Decode(&out); err != nil {
		return nil, "", fmt.Errorf("read the daemon's answer: %w", err)
	}
	return out, api.NoticeOf(res.Header), nil
}
