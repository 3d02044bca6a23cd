package outlettest_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"testing"

	"benchvigil/internal/alert"
	"benchvigil/internal/alert/outlettest"
)

// bad is an outlet with one fault.
type bad struct {
	url, fault string
}

func (b bad) String() string {
	if b.fault == "shows" {
		return b.url
	}
	return "bad"
}

func (b bad) Deliver(ctx context.Context, m *alert.Message) error {
	body, _ := json.Marshal(m)
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, b.url, bytes.NewReader(body))
	if err != nil {
		return err
	}
	client := &http.Client{}
	if b.fault != "follows" {
		client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	}
	resp, err := client.Do(req)
	if err != nil {
		return errors.New("no answer")
	}
	defer func() { _ = resp.Body.Close() }()
	if b.fault == "reads" {
		_, _ = io.Copy(io.Discard, resp.Body)
	}
	switch {
	case b.fault == "glad", resp.StatusCode/100 == 2:
		return nil
	case b.fault == "hopes":
		return fmt.Errorf("status %d", resp.StatusCode)
	}
	return alert.Permanent(fmt.Errorf("status %d", resp.StatusCode))
}

// TestBad is the suite on an outlet with a fault, when TestSuite runs it.
func TestBad(t *testing.T) {
	fault := os.Getenv("OUTLETTEST_FAULT")
	if fault == "" {
		t.Skip("TestSuite runs it")
	}
	outlettest.HTTP{
		New: func(_ *testing.T, url string) outlettest.Outlet { return bad{url, fault} },
		Key: func(*http.Request, []byte) string { return "the same for all" },
	}.Run(t)
}

// TestSuite holds that the suite finds faults.
func TestSuite(t *testing.T) {
	for fault, found := range map[string][]string{
		"glad":    {"status/400", "status/500", "gone", "redirect", "body/huge,_failed"},
		"hopes":   {"status/400", "gone", "retry_after/429,_seconds", "key"},
		"gloomy":  {"status/503", "retry_after/503,_seconds"},
		"follows": {"redirect"},
		"shows":   {"accept"},
		"reads":   {"body/huge,_accepted"},
	} {
		t.Run(fault, func(t *testing.T) {
			skip := "-test.skip=TestBad/no_answer|TestBad/body/slow"
			cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestBad$", "-test.v", skip) //nolint:gosec // this test itself
			cmd.Env = append(os.Environ(), "OUTLETTEST_FAULT="+fault)
			out, err := cmd.CombinedOutput()
			if err == nil {
				t.Fatal("the suite passes")
			}
			for _, name := range found {
				if !strings.Contains(string(out), "--- FAIL: TestBad/"+name+" ") {
					t.Errorf("%s passes", name)
				}
			}
		})
	}
}
