package house

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// root is the top of the repository, seen from this package.
const root = "../.."

// top is all that may lie at the top, besides dot files: a newcomer sees at
// one glance where to look.
var top = []string{
	"cmd", "internal", "configs", "testdata", "deploy",
	"go.mod", "go.sum", "README.md", "DEVELOPERS.md", "Makefile",
}

func TestLayout(t *testing.T) {
	for _, s := range strays(tracked(t)) {
		t.Errorf("%s has no place at the top: only %s belong there", s, strings.Join(top, ", "))
	}
}

func TestStrays(t *testing.T) {
	got := strays([]string{".ci/run", "Makefile", "cmd/a/main.go", "docs/a.md", "docs/b.md", "notes.txt", "internal/notes.txt"})
	if d := cmp.Diff([]string{"docs", "notes.txt"}, got); d != "" {
		t.Error(d)
	}
}

func strays(files []string) (out []string) {
	for _, f := range files {
		first, _, _ := strings.Cut(f, "/")
		if !strings.HasPrefix(first, ".") && !slices.Contains(top, first) {
			out = append(out, first)
		}
	}
	return slices.Compact(out)
}

// private is what only makes sense where something was written, and nothing
// to whoever reads it elsewhere. The patterns are put together here so that
// this file does not hold what it looks for.
var private = []struct {
	what    string
	pattern *regexp.Regexp
}{
	{"a path of one machine", regexp.MustCompile(`(^|[^\w.])/` + `(work|workspace|home/\w+|Users/\w+)/`)},
	{"a path of one machine", regexp.MustCompile(`(?i)\bC:[\\/]+` + `Users\b`)},
	{"a page outside the repository", regexp.MustCompile(`\b` + `shared/(design|style|anchors|libs|vm|perf|checks|vmrig|baseline|hooks)`)},
	{"a number of an issue that is not here", regexp.MustCompile(`(?i)(^|[^\w/-])` + `issue #?\d{1,3}\b`)},
}

// TestPrivate looks through every file.
func TestPrivate(t *testing.T) {
	for _, name := range tracked(t) {
		text, err := os.ReadFile(filepath.Join(root, name))
		if errors.Is(err, fs.ErrNotExist) {
			continue // deleted, not yet committed
		}
		if err != nil {
			t.Error(err)
			continue
		}
		for _, l := range leaks(text) {
			t.Errorf("%s:%s", name, l)
		}
	}
}

func TestLeaks(t *testing.T) {
	planted := strings.Join([]string{
		"clean: /var/lib, network/framework/x, homework/, https://example.org/work/, an issue of 3 parts, golang/go#75804",
		"see /" + "work/main",
		"cd /home/" + "kim/src",
		"see sha" + "red/style.md",
		"for iss" + "ue 2",
	}, "\n")
	want := []string{
		"2: a path of one machine: \" /" + "work/\"",
		"3: a path of one machine: \" /home/" + "kim/\"",
		"4: a page outside the repository: \"sha" + "red/style\"",
		"5: a number of an issue that is not here: \" iss" + "ue 2\"",
	}
	if d := cmp.Diff(want, leaks([]byte(planted))); d != "" {
		t.Error(d)
	}
}

// leaks lists what is private in a text, by line.
func leaks(text []byte) (out []string) {
	n := 0
	for line := range bytes.Lines(text) {
		n++
		for _, p := range private {
			if found := p.pattern.Find(line); found != nil {
				out = append(out, fmt.Sprintf("%d: %s: %q", n, p.what, found))
			}
		}
	}
	return out
}

// tracked lists the files that git keeps. A folder that is no clone, such as
// an unpacked archive, has none to look at.
func tracked(t *testing.T) []string {
	t.Helper()
	if _, err := os.Stat(filepath.Join(root, ".git")); errors.Is(err, fs.ErrNotExist) {
		t.Skip("not a clone")
	}
	dir, err := filepath.Abs(root)
	if err != nil {
		t.Fatal(err)
	}
	// A build machine may own the clone as another user.
	cmd := exec.CommandContext(t.Context(), "git", "-c", "safe.directory="+dir, "ls-files", "-z")
	cmd.Dir = dir
	text, err := cmd.Output()
	if err != nil {
		t.Fatalf("git ls-files: %v", err)
	}
	files := strings.Split(strings.TrimSuffix(string(text), "\x00"), "\x00")
	if len(files) < 2 {
		t.Fatalf("git ls-files shows only %q", files)
	}
	return files
}
