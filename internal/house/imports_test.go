package house

import (
	"encoding/json"
	"errors"
	"fmt"
	"go/parser"
	"go/token"
	"io"
	"maps"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// imports maps import paths to what they import directly.
type imports map[string][]string

// TestImports holds the packages as they are against the tables.
func TestImports(t *testing.T) {
	im := imports{}
	for _, p := range packages(t) {
		im[p.ImportPath] = p.Imports
		if p.Standard || p.DepOnly {
			continue
		}
		// Files for other systems do not show in Imports.
		for _, f := range p.IgnoredGoFiles {
			if !strings.HasSuffix(f, "_test.go") {
				im[p.ImportPath] = append(im[p.ImportPath], importsOf(t, filepath.Join(p.Dir, f))...)
			}
		}
	}
	for _, v := range violations(im) {
		t.Error(v)
	}
	for _, r := range rooms {
		if !slices.ContainsFunc(slices.Collect(maps.Keys(im)), func(p string) bool { return matches(r.of, p) }) {
			t.Errorf("rooms: there is no package %s: remove its row", r.of)
		}
	}
}

// TestViolations plants one fault of each kind.
func TestViolations(t *testing.T) {
	for _, tt := range []struct {
		name string
		im   imports
		want []string
	}{
		{"nothing wrong", imports{
			"benchvigil/cmd/benchvigil":         {"fmt", "benchvigil/internal/app", "github.com/spf13/cobra"},
			"benchvigil/internal/app":           {"benchvigil/internal/usb", "benchvigil/internal/usb/scan", "benchvigil/configs"},
			"benchvigil/internal/usb/scan":      {"benchvigil/internal/usb", "github.com/google/gousb"},
			"benchvigil/internal/usb":           {"benchvigil/internal/bench", "net", "os", "golang.org/x/sys/unix"},
			"benchvigil/internal/profile":       {"benchvigil/internal/unit", "go.yaml.in/yaml/v3", "net/url"},
			"example.org/others":                {"net", "github.com/spf13/viper"},
			"net":                               {"os"},
			"benchvigil/internal/bench":         {"benchvigil/internal/unit", "time"},
			"benchvigil/internal/sim/play":      {"benchvigil/internal/sim/scpi"},
			"benchvigil/internal/vmtest/report": {"bufio"},
		}, nil},
		{"an arrow points back", imports{
			"benchvigil/internal/infer": {"benchvigil/internal/station"},
		}, []string{
			"internal/infer imports internal/station: the same observations must always give the same events, live or replayed",
		}},
		{"an edge sees another", imports{
			"benchvigil/internal/supply": {"benchvigil/internal/usb"},
			"benchvigil/internal/web":    {"benchvigil/internal/infer"},
		}, []string{
			"internal/supply imports internal/usb: " + edgeWhy,
			"internal/web imports internal/infer: " + edgeWhy,
		}},
		{"a neighbour by name only", imports{
			"benchvigil/internal/sim/play": {"benchvigil/internal/simulator"},
		}, []string{
			"internal/sim/play imports internal/simulator: " + storyWhy,
		}},
		{"main goes past app", imports{
			"benchvigil/cmd/benchvigil": {"benchvigil/internal/usb/scan"},
		}, []string{
			"cmd/benchvigil imports internal/usb/scan: main holds flags, signals and exit codes: what it starts is app's to know",
		}},
		{"a pure package does I/O", imports{
			"benchvigil/internal/bench": {"os", "context"},
		}, []string{
			"internal/bench imports context: it is pure: the vocabulary is plain values: whoever speaks it must not drag in more",
			"internal/bench imports os: it is pure: the vocabulary is plain values: whoever speaks it must not drag in more",
		}},
		{"a pure package takes a module", imports{
			"benchvigil/internal/profile": {"go.uber.org/zap"},
		}, []string{
			"internal/profile imports go.uber.org/zap: it is pure: a device family is read and checked, and knows nothing of what is done with it",
		}},
		{"viper outside config", imports{
			"benchvigil/internal/app": {"github.com/spf13/viper"},
		}, []string{
			"internal/app imports github.com/spf13/viper: only internal/config may: configuration is read in one place, once",
		}},
		{"the net through others", imports{
			"benchvigil/internal/unit": {"expvar"},
			"expvar":                   {"net/http"},
			"net/http":                 {"net"},
		}, []string{
			"internal/unit depends on net by expvar, net/http: pure packages are linked into anything, and start nothing behind its back",
		}},
		{"cgo through others", imports{
			"benchvigil/internal/sim/usbbus": {"benchvigil/internal/usb"},
			"benchvigil/internal/usb":        {"example.org/clever"},
			"example.org/clever":             {"github.com/google/gousb"},
		}, []string{
			"internal/sim/usbbus depends on github.com/google/gousb by internal/usb, example.org/clever: without cgo they can be fuzzed, built for other systems and run in a bare virtual machine",
			"internal/usb depends on github.com/google/gousb by example.org/clever: without cgo they can be fuzzed, built for other systems and run in a bare virtual machine",
		}},
		{"a package without a row", imports{
			"benchvigil/internal/helpers": {"fmt"},
		}, []string{
			"internal/helpers has no row in rooms: add one, with its reason",
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if d := cmp.Diff(tt.want, violations(tt.im)); d != "" {
				t.Error(d)
			}
		})
	}
}

// violations are the rules that the imports break, in order.
func violations(im imports) (out []string) {
	for _, pkg := range slices.Sorted(maps.Keys(im)) {
		if !strings.HasPrefix(pkg, module) {
			continue
		}
		i := slices.IndexFunc(rooms, func(r room) bool { return matches(r.of, pkg) })
		if i < 0 {
			out = append(out, bare(pkg)+" has no row in rooms: add one, with its reason")
			continue
		}
		for _, imp := range slices.Compact(slices.Sorted(slices.Values(im[pkg]))) {
			if why := rooms[i].forbids(imp); why != "" {
				out = append(out, fmt.Sprintf("%s imports %s: %s", bare(pkg), bare(imp), why))
			}
		}
		out = append(out, im.reached(pkg)...)
	}
	return out
}

// forbids says why the room may not import a package, "" if it may.
func (r room) forbids(imp string) string {
	if strings.HasPrefix(imp, module) {
		if !slices.ContainsFunc(r.ours, func(of string) bool { return matches(of, imp) }) {
			return r.why
		}
		return ""
	}
	for _, o := range owned {
		if below(o.lib, imp) && !slices.Contains(o.owners, r.of) {
			return fmt.Sprintf("only %s may: %s", strings.Join(o.owners, " and "), o.why)
		}
	}
	foreign := strings.Contains(strings.SplitN(imp, "/", 2)[0], ".")
	allowed := slices.ContainsFunc(r.libs, func(lib string) bool { return below(lib, imp) })
	if r.pure && (foreign && !allowed || slices.Contains(impureImports, imp)) {
		return "it is pure: " + r.why
	}
	return ""
}

// reached lists what the package depends on through others and must not.
func (im imports) reached(pkg string) (out []string) {
	for _, u := range unreachable {
		if !slices.ContainsFunc(u.from, func(of string) bool { return matches(of, pkg) }) {
			continue
		}
		if way := im.way(pkg, u.to, map[string]bool{}); len(way) > 0 {
			out = append(out, fmt.Sprintf("%s depends on %s by %s: %s", bare(pkg), u.to, strings.Join(way, ", "), u.why))
		}
	}
	return out
}

// way lists the packages between two, none when there is no way.
func (im imports) way(from, to string, seen map[string]bool) []string {
	for _, imp := range im[from] {
		if imp == to {
			return []string{bare(from)}
		}
		if !seen[imp] {
			seen[imp] = true
			if rest := im.way(imp, to, seen); len(rest) > 0 {
				return prepend(bare(imp), rest)
			}
		}
	}
	return nil
}

func prepend(first string, rest []string) []string {
	if rest[0] == first {
		return rest
	}
	return append([]string{first}, rest...)
}

// matches reports whether a row's "of" names the package.
func matches(of, pkg string) bool {
	pkg, ours := strings.CutPrefix(pkg, module)
	if all, ok := strings.CutSuffix(of, "/..."); ok {
		return ours && strings.HasPrefix(pkg, all+"/")
	}
	return ours && pkg == of
}

// below reports whether a package belongs to a module or folder of it.
func below(lib, pkg string) bool { return pkg == lib || strings.HasPrefix(pkg, lib+"/") }

func bare(pkg string) string { return strings.TrimPrefix(pkg, module) }

// listed is what go list tells of a package.
type listed struct {
	ImportPath, Dir                  string
	Standard, DepOnly                bool
	Imports, GoFiles, IgnoredGoFiles []string
}

// packages are ours and all that they depend on.
func packages(t *testing.T) (out []listed) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "go", "list", "-deps",
		"-json=ImportPath,Dir,Standard,DepOnly,Imports,GoFiles,IgnoredGoFiles", "./...")
	cmd.Dir = root
	text, err := cmd.Output()
	if err != nil {
		if exit, ok := errors.AsType[*exec.ExitError](err); ok {
			t.Fatalf("go list: %v: %s", err, exit.Stderr)
		}
		t.Fatalf("go list: %v", err)
	}
	dec := json.NewDecoder(strings.NewReader(string(text)))
	for {
		var p listed
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return out
		} else if err != nil {
			t.Fatalf("go list: %v", err)
		}
		out = append(out, p)
	}
}

// importsOf reads the imports of one file.
func importsOf(t *testing.T, file string) (out []string) {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ImportsOnly)
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range f.Imports {
		p, err := strconv.Unquote(i.Path.Value)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, p)
	}
	return out
}
