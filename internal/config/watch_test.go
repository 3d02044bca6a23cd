package config_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/goleak"

	"benchvigil/internal/config"
)

// watched watches a fresh folder; quiet and heard say whether a change was
// noticed. The kernel tells of files, so time is real here: a change is
// noticed after a third of a second, and what is not by then is not at all.
func watched(t *testing.T) (dir string, w *config.Watcher) {
	t.Helper()
	path := folder(t, "bench: north\n")
	dir = filepath.Dir(path)
	w, err := config.Watch(path, filepath.Join(dir, "profiles"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := w.Close(); err != nil {
			t.Error(err)
		}
	})
	return dir, w
}

func heard(t *testing.T, w *config.Watcher, what string) {
	t.Helper()
	select {
	case <-w.Changed():
	case <-time.After(10 * time.Second):
		t.Errorf("not noticed: %s", what)
	}
}

func quiet(t *testing.T, w *config.Watcher, what string) {
	t.Helper()
	select {
	case <-w.Changed():
		t.Errorf("noticed: %s", what)
	case <-time.After(600 * time.Millisecond):
	}
}

func save(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func rename(t *testing.T, from, to string) {
	t.Helper()
	if err := os.Rename(from, to); err != nil {
		t.Fatal(err)
	}
}

func TestWatchNoticesWhatMatters(t *testing.T) {
	already := goleak.IgnoreCurrent()
	t.Cleanup(func() { goleak.VerifyNone(t, already) })
	dir, w := watched(t)
	file := filepath.Join(dir, "config.yaml")
	quiet(t, w, "nothing")
	save(t, file, "bench: south\n")
	heard(t, w, "written in place")
	save(t, filepath.Join(dir, "events.jsonl"), "{}\n")
	quiet(t, w, "another file in the folder")
	save(t, filepath.Join(dir, "new.yaml"), "bench: east\n")
	rename(t, filepath.Join(dir, "new.yaml"), file)
	heard(t, w, "replaced by renaming")
	save(t, filepath.Join(dir, "profiles", "tablet.yaml"), "name: tablet\n")
	heard(t, w, "a new profile")
	save(t, filepath.Join(dir, "profiles", "notes.txt"), "x")
	quiet(t, w, "no profile")
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	heard(t, w, "removed")
	save(t, file, "bench: west\n")
	heard(t, w, "there again")
}

// Many small steps are one change.
func TestWatchWaitsUntilItIsLeftAlone(t *testing.T) {
	dir, w := watched(t)
	for i := range 10 {
		save(t, filepath.Join(dir, "config.yaml"), string(make([]byte, i)))
		time.Sleep(20 * time.Millisecond) // a real file system: no fake clock
	}
	heard(t, w, "ten writes")
	quiet(t, w, "ten writes, a second time")
}

// The file may be a link into a folder that is swapped as a whole.
func TestWatchFollowsLinks(t *testing.T) {
	first := folder(t, "bench: north\n")
	dir := t.TempDir()
	data, link := filepath.Join(dir, "data"), filepath.Join(dir, "config.yaml")
	for from, to := range map[string]string{data: filepath.Dir(first), link: filepath.Join("data", "config.yaml")} {
		if err := os.Symlink(to, from); err != nil {
			t.Skipf("no links here: %v", err)
		}
	}
	w, err := config.Watch(link, filepath.Join(data, "profiles"))
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close() //nolint:errcheck // nothing more is wanted of it
	save(t, first, "bench: south-1\n")
	heard(t, w, "the file behind the link")
	second := folder(t, "bench: south-22\n")
	next := filepath.Join(dir, "next")
	if err := os.Symlink(filepath.Dir(second), next); err != nil {
		t.Fatal(err)
	}
	rename(t, next, data)
	heard(t, w, "the swap")
	save(t, second, "bench: south-333\n")
	heard(t, w, "the file behind the new link")
}

func TestWatchFollowsTheProfiles(t *testing.T) {
	dir, w := watched(t)
	other := t.TempDir()
	w.Follow(other)
	heard(t, w, "other profiles")
	save(t, filepath.Join(other, "a.yaml"), "name: a\n")
	heard(t, w, "a profile in the new folder")
	save(t, filepath.Join(dir, "profiles", "b.yaml"), "name: b\n")
	quiet(t, w, "a profile in the old folder")
}

func TestWatchNeedsFolders(t *testing.T) {
	already := goleak.IgnoreCurrent()
	t.Cleanup(func() { goleak.VerifyNone(t, already) })
	if w, err := config.Watch(filepath.Join(t.TempDir(), "no", "config.yaml"), t.TempDir()); err == nil {
		t.Error("a folder that is not there is watched", w.Close())
	}
}
