package app

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strings"
	"syscall"
	"time"

	"benchvigil/internal/api"
)

// DefaultURL is where the daemon listens unless its configuration says
// otherwise.
const DefaultURL = "http://127.0.0.1:8420"

// answerWithin is how long the daemon may take for one answer.
const answerWithin = 5 * time.Second

// client talks to a running daemon.
type client struct{ base string }

func newClient(base string) (*client, error) {
	if !strings.Contains(base, "://") && strings.Contains(base, ":") {
		base = "http://" + base
	}
	u, err := url.Parse(base)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, fmt.Errorf("%w: --url %q: write it like %s", ErrCommand, base, DefaultURL)
	}
	return &client{strings.TrimRight(base, "/")}, nil
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
	res, err := http.DefaultClient.Do(req)
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
	return err
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
