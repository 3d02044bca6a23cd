package house

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// clockCalls are the functions of package time that ask or wait for a clock.
var clockCalls = []string{"Now", "Since", "Until", "After", "AfterFunc", "NewTimer", "NewTicker", "Tick", "Sleep"}

// TestPureCode looks for clocks and goroutines in the pure packages: they get
// the time as an argument and are called by whoever wants concurrency.
func TestPureCode(t *testing.T) {
	files := 0
	for _, p := range packages(t) {
		if !slices.ContainsFunc(rooms, func(r room) bool { return r.pure && matches(r.of, p.ImportPath) }) {
			continue
		}
		for _, name := range slices.Concat(p.GoFiles, p.IgnoredGoFiles) {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			files++
			fset := token.NewFileSet()
			f, err := parser.ParseFile(fset, filepath.Join(p.Dir, name), nil, parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			for _, fault := range impurities(fset, f) {
				t.Error(fault)
			}
		}
	}
	if files == 0 {
		t.Error("no file of a pure package was looked at")
	}
}

func TestImpurities(t *testing.T) {
	for _, tt := range []struct {
		name, src string
		want      []string
	}{
		{"nothing wrong", "package p\nimport \"time\"\nfunc f(now time.Time) time.Duration { return time.Time{}.Sub(now) + time.Second }", nil},
		{"asks the clock", "package p\nimport \"time\"\nvar t = time.Now()", []string{"p.go:3: time.Now: a pure package gets the time as an argument"}},
		{"as a value", "package p\nimport \"time\"\nvar now = time.Now", []string{"p.go:3: time.Now: a pure package gets the time as an argument"}},
		{"by another name", "package p\nimport tm \"time\"\nfunc f() { tm.Sleep(1) }", []string{"p.go:3: time.Sleep: a pure package gets the time as an argument"}},
		{"without a name", "package p\nimport . \"time\"\nvar t = Now()", []string{"p.go:2: time is imported without its name, which hides its clock"}},
		{"another time", "package p\nimport \"example.org/time\"\nvar t = time.Now()", nil},
		{"goroutine", "package p\nfunc f() {\n\tgo f()\n}", []string{"p.go:3: go: a pure package starts no goroutine"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			fset := token.NewFileSet()
			f, err := parser.ParseFile(fset, "p.go", tt.src, parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(tt.want, impurities(fset, f)); d != "" {
				t.Error(d)
			}
		})
	}
}

// impurities finds clock calls and goroutines in a file.
func impurities(fset *token.FileSet, f *ast.File) (out []string) {
	fault := func(n ast.Node, what string) {
		p := fset.Position(n.Pos())
		out = append(out, fmt.Sprintf("%s:%d: %s", p.Filename, p.Line, what))
	}
	name := ""
	for _, i := range f.Imports {
		switch {
		case i.Path.Value != `"time"`:
		case i.Name == nil:
			name = "time"
		case i.Name.Name == ".":
			fault(i, "time is imported without its name, which hides its clock")
		default:
			name = i.Name.Name
		}
	}
	for n := range ast.Preorder(f) {
		switch n := n.(type) {
		case *ast.GoStmt:
			fault(n, "go: a pure package starts no goroutine")
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok && x.Name == name && slices.Contains(clockCalls, n.Sel.Name) {
				fault(n, "time."+n.Sel.Name+": a pure package gets the time as an argument")
			}
		}
	}
	return out
}
