package ledger_test

import (
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/bench"
	"benchvigil/internal/ledger"
	"benchvigil/internal/unit"
)

// -write-version makes the folder of the present version in testdata, which is
// done once, when a version is published.
var writeVersion = flag.String("write-version", "", "make testdata/NAME of the present version")

// kept is what every folder in testdata holds.
func kept() (facts []bench.Observation, events []bench.Event) {
	facts = everything("s1", start)
	return facts, []bench.Event{
		event("s1", bench.RunStarted, start, 1),
		event("s1", bench.WatchArmed, start.Add(time.Second), 2),
		event("s1", bench.RunDropped, start.Add(time.Minute), 3),
	}
}

// TestOlderFolders opens a copy of the folder of each version that ever was:
// what it holds is all there, and it can be written to.
func TestOlderFolders(t *testing.T) {
	if *writeVersion != "" {
		makeFolder(t, filepath.Join("testdata", *writeVersion))
	}
	folders, err := filepath.Glob(filepath.Join("testdata", "version-*"))
	must(t, err)
	if len(folders) == 0 {
		t.Fatal("no folder in testdata")
	}
	for _, from := range folders {
		t.Run(filepath.Base(from), func(t *testing.T) {
			dir := t.TempDir()
			must(t, os.CopyFS(dir, os.DirFS(from)))
			l := open(t, dir)
			ctx := t.Context()
			facts, events := kept()
			if d := cmp.Diff(facts, all(t, l.Observations(ctx, ledger.Query{})), comparers...); d != "" {
				t.Error(d)
			}
			if d := cmp.Diff(events, all(t, l.Events(ctx, ledger.Query{})), comparers...); d != "" {
				t.Error(d)
			}
			if runs := all(t, l.Runs(ctx, ledger.Query{})); len(runs) != 1 || runs[0].Uptime() != unit.Some(lasted(from)) {
				t.Errorf("runs: %+v", runs)
			}
			if s, err := l.State(ctx, "s1"); err != nil || s == nil || string(s.Data) != "state" {
				t.Errorf("%+v, %v", s, err)
			}
			if due, err := l.Due(ctx, start, 9); err != nil || len(due) != 1 {
				t.Errorf("%+v, %v", due, err)
			}
			must(t, l.Append(ctx, []bench.Event{event("s1", bench.RunStarted, start.Add(time.Hour), 4)}))
			if findings, err := l.Check(ctx); err != nil || len(findings) > 0 || len(l.Aside()) > 0 {
				t.Errorf("%v, %v, %v", findings, err, l.Aside())
			}
		})
	}
}

// lasted is the run of a folder: the first version took it from its two moments,
// later ones from the event.
func lasted(folder string) time.Duration {
	if filepath.Base(folder) == "version-1" {
		return time.Minute
	}
	return 90 * time.Second
}

func makeFolder(t *testing.T, dir string) {
	t.Helper()
	facts, events := kept()
	l := open(t, dir)
	l.Begin("s1", start, wiring)
	for i, o := range facts {
		l.Record(o)
		if i == len(facts)/2 {
			must(t, l.Fold(t.Context()))
		}
	}
	l.SaveState("s1", time.Time{}, []byte("state"))
	must(t, l.Append(t.Context(), events, ledger.Alert{Key: "k", Station: "s1", Outlet: "phone", Body: "b", Raised: start, Due: start}))
	must(t, l.Vacuum(t.Context()))
	must(t, l.Close())
}
