package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"benchvigil/internal/logkey"
)

// Into the journal goes one line a thing for people, with its level; the time is
// the journal's own. A file beside it gets JSON.
func TestJournal(t *testing.T) {
	name := filepath.Join(t.TempDir(), "log")
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close() //nolint:errcheck // read by its name
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	s := info.Sys().(*syscall.Stat_t)
	log := func(stream string) string {
		t.Setenv("JOURNAL_STREAM", stream)
		if err := f.Truncate(0); err != nil {
			t.Fatal(err)
		}
		if _, err := f.Seek(0, 0); err != nil {
			t.Fatal(err)
		}
		log, err := (&logOptions{level: "info", format: "auto"}).logger(f)
		if err != nil {
			t.Fatal(err)
		}
		log.With(logkey.Station("s1")).Info("begins")
		log.Warn("falls silent", logkey.Station("s1"))
		log.Error("refused", logkey.Err(errors.Join(errors.New("c.yaml:3: bench"), errors.New("c.yaml:9: port"))))
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	want := `<6>begins  {"station": "s1"}
<4>falls silent  {"station": "s1"}
<3>refused:
<3>    c.yaml:3: bench
<3>    c.yaml:9: port
`
	if got := log(fmt.Sprintf("%d:%d", s.Dev, s.Ino)); got != want {
		t.Errorf("into the journal:\n%s\nwant:\n%s", got, want)
	}
	for _, stream := range []string{"", "1:1"} {
		if got := log(stream); !strings.HasPrefix(got, "{") {
			t.Errorf("JOURNAL_STREAM=%s, into a file: %s", stream, got)
		}
	}
}
