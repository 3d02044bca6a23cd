package main

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/logkey"
)

// Whoever reads a terminal gets one mistake a line.
func TestLinesOfAnError(t *testing.T) {
	all := fmt.Errorf("bad configuration: %w", errors.Join(errors.New("c.yaml:3: bench"), errors.New("c.yaml:9: port")))
	for _, tc := range []struct {
		name string
		err  error
		want string
	}{
		{"several", all, "refused:\n    bad configuration: c.yaml:3: bench\n    c.yaml:9: port  {\"station\": \"s1\", \"file\": \"x\"}\n"},
		{"one", errors.New("c.yaml:3: bench"), "refused  {\"station\": \"s1\", \"err\": \"c.yaml:3: bench\", \"file\": \"x\"}\n"},
	} {
		var b bytes.Buffer
		log, err := (&logOptions{level: "info", format: "human"}).logger(&b)
		if err != nil {
			t.Fatal(err)
		}
		log.With(logkey.Station("s1")).Error("refused", logkey.Err(tc.err), logkey.File("x"))
		if _, got, _ := strings.Cut(b.String(), "ERROR  "); got != tc.want {
			t.Errorf("%s: %q, want %q after the time", tc.name, got, tc.want)
		}
	}
}

// A mark says how long it lasts in words, for people and for programs.
func TestMarkInTheLog(t *testing.T) {
	for format, want := range map[string]string{
		"json":  `"mark":{"kind":"hands-on","by":"kim","for":"10m0s"}`,
		"human": `{"mark": {"kind": "hands-on", "by": "kim", "for": "10m0s"}}`,
	} {
		var b bytes.Buffer
		log, err := (&logOptions{level: "info", format: format}).logger(&b)
		if err != nil {
			t.Fatal(err)
		}
		log.Info("marked", logkey.Mark("hands-on", "", "kim", 10*time.Minute))
		if !strings.Contains(b.String(), want) {
			t.Errorf("%s: %s, want %s", format, b.String(), want)
		}
	}
}
