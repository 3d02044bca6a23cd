package app_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/app"
	"benchvigil/internal/bench"
)

// A running bench shows its stations, takes marks and gives a recording that
// replays, with the mark in it.
func TestClientsOfARunningBench(t *testing.T) {
	url, _ := startDemo(t, app.DemoOptions{Stations: 6, Speed: 10})
	var table, asJSON bytes.Buffer
	eventually(t, 20*time.Second, "every station up", func() bool {
		table.Reset()
		err := app.ShowStatus(t.Context(), app.StatusOptions{URL: url, Out: &table})
		return err == nil && strings.Count(table.String(), " of 3:30") >= 5
	})
	if err := app.ShowStatus(t.Context(), app.StatusOptions{URL: url, JSON: true, Out: &asJSON}); err != nil {
		t.Fatal(err)
	}
	var stations []map[string]any
	if err := json.Unmarshal(asJSON.Bytes(), &stations); err != nil || len(stations) != 6 {
		t.Fatalf("%d stations, %v", len(stations), err)
	}

	file := filepath.Join(t.TempDir(), "live.jsonl")
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		done <- app.RecordLive(ctx, app.RecordOptions{URL: url, Station: "s1", File: file, Say: io.Discard})
	}()
	holds := func(text string) bool {
		b, err := os.ReadFile(file)
		return err == nil && bytes.Contains(b, []byte(text))
	}
	eventually(t, 10*time.Second, "readings in the recording", func() bool { return holds(`"power"`) })
	mark := app.MarkOptions{URL: url, Station: "s1", Mark: bench.Mark{Kind: bench.MarkStop, By: "kim", Text: "reseat"}}
	var asked string
	mark.Sure = func(question string) bool { asked = question; return false }
	if err := app.MakeMark(t.Context(), mark); !errors.Is(err, app.ErrKept) || !strings.HasSuffix(asked, ": end this run?") || holds(`"kind":"stop"`) {
		t.Fatalf("asked %q, thought better of it: %v", asked, err)
	}
	mark.Sure = func(string) bool { return true }
	if err := app.MakeMark(t.Context(), mark); err != nil {
		t.Fatal(err)
	}
	eventually(t, 10*time.Second, "the mark in the recording", func() bool { return holds(`"kind":"stop"`) })
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	events, _, err := replay(t, app.ReplayOptions{Recording: file})
	if got := strings.Join(events, " "); err != nil || !strings.Contains(got, "run.started") || !strings.Contains(got, "run.stopped") {
		t.Errorf("the recording replays to %s, %v", got, err)
	}
}

func TestClientsSayWhatIsWrong(t *testing.T) {
	if err := app.ShowStatus(t.Context(), app.StatusOptions{URL: "http://127.0.0.1:9", Out: io.Discard}); err == nil || !strings.Contains(err.Error(), "no benchvigil listens on http://127.0.0.1:9") {
		t.Errorf("nobody there: %v", err)
	}
	for _, url := range []string{"", "8420", "ftp://x", "http://"} {
		if err := app.ShowStatus(t.Context(), app.StatusOptions{URL: url, Out: io.Discard}); !errors.Is(err, app.ErrCommand) {
			t.Errorf("%q: %v, want ErrCommand", url, err)
		}
	}
	for _, m := range []app.MarkOptions{
		{URL: app.DefaultURL, Station: "s1", Mark: bench.Mark{Kind: "pause"}},
		{URL: app.DefaultURL, Station: "", Mark: bench.Mark{Kind: bench.MarkStop}},
		{URL: app.DefaultURL, Station: "a/b", Mark: bench.Mark{Kind: bench.MarkStop}},
	} {
		if err := app.MakeMark(t.Context(), m); !errors.Is(err, app.ErrCommand) {
			t.Errorf("%+v: %v, want ErrCommand", m, err)
		}
	}
	old := filepath.Join(t.TempDir(), "old.jsonl")
	if err := os.WriteFile(old, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := app.RecordLive(t.Context(), app.RecordOptions{URL: app.DefaultURL, File: old, Say: io.Discard}); !errors.Is(err, app.ErrRecord) {
		t.Errorf("an old recording: %v, want ErrRecord", err)
	}
}
