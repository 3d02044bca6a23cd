package app_test

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/app"
	"benchvigil/internal/bench"
	"benchvigil/internal/sim"
)

// On a running bench a restore arms by itself, a goal armed by hand is listed,
// and the drop of a board that watches nothing else misses it.
func TestWatchesOfARunningBench(t *testing.T) {
	dir := t.TempDir()
	url, stop := startDemo(t, app.DemoOptions{Stations: 2, Speed: 20, Data: dir})
	list := func() string {
		var b bytes.Buffer
		if err := app.ListWatches(t.Context(), app.WatchesOptions{URL: url, Out: &b}); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	if got := list(); strings.Count(got, "\n") != 3 || !strings.HasPrefix(got, "STATION") {
		t.Errorf("listed:\n%s", got)
	}
	arm := app.MarkOptions{URL: url, Station: "s2", Mark: bench.Mark{Kind: bench.MarkArm, By: "kim", Text: "stay 9h"}}
	if err := app.MakeMark(t.Context(), arm); err != nil {
		t.Fatal(err)
	}
	eventually(t, 20*time.Second, "a restore that armed itself", func() bool { return strings.Contains(list(), "reach running within 3h  auto") })
	events := filepath.Join(dir, "events.jsonl")
	eventually(t, 30*time.Second, "the goal missed", func() bool {
		b, err := os.ReadFile(events)
		return err == nil && bytes.Contains(b, []byte(`"kind":"dropped"`)) && bytes.Contains(b, []byte(`"goal":"stay 9h","why":["dropped (`))
	})
	if got := list(); !strings.Contains(got, "failed at ") {
		t.Errorf("listed:\n%s", got)
	}
	if err := stop(); err != nil {
		t.Fatal(err)
	}
}

// A goal can be armed from the beginning of any recording, and nothing else
// changes by it.
func TestReplayWithAGoal(t *testing.T) {
	for _, sc := range sim.Scenarios() {
		name := write(t, sc, true)
		plain, _, err := replay(t, app.ReplayOptions{Recording: name})
		if err != nil {
			t.Fatal(err)
		}
		armed, _, err := replay(t, app.ReplayOptions{Recording: name, Goal: "stay 60s"})
		if err != nil {
			t.Fatal(err)
		}
		var rest []string
		ends := 0
		for i, e := range armed {
			switch {
			case !strings.HasPrefix(e, "watch."):
				rest = append(rest, e)
			case e == "watch.armed" && i != 0, e != "watch.armed" && ends > 0:
				t.Errorf("%s: event %d is %s", sc.Name, i, e)
			case e != "watch.armed":
				ends++
			}
		}
		if got, want := strings.Join(rest, " "), strings.Join(plain, " "); got != want || len(armed) == len(rest) {
			t.Errorf("%s: with a goal %s, without %s", sc.Name, strings.Join(armed, " "), want)
		}
	}
	if _, _, err := replay(t, app.ReplayOptions{Recording: "x", Goal: "stay 3"}); !errors.Is(err, app.ErrCommand) {
		t.Errorf("a goal without a unit: %v, want ErrCommand", err)
	}
	if err := app.ListWatches(t.Context(), app.WatchesOptions{URL: "ftp://x", Out: io.Discard}); !errors.Is(err, app.ErrCommand) {
		t.Errorf("no address: %v, want ErrCommand", err)
	}
}
