package browser

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"
)

// axe is axe-core, read from where npm has put it.
func axe(tb testing.TB) string {
	tb.Helper()
	b, err := os.ReadFile("../assets/node_modules/axe-core/axe.min.js")
	if err != nil {
		tb.Fatalf("%v: run make assets", err)
	}
	return string(b)
}

// violation is what axe-core says of a rule that a page does not keep.
type violation struct {
	ID, Help string
	Nodes    []struct {
		HTML           string
		Target         []any
		FailureSummary string
	}
}

// rules are the tags of those that are asked for: WCAG 2.2 up to AA, and what
// axe-core holds for good besides.
const rules = `["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]`

func (p *tab) violations() (out []violation) {
	p.tb.Helper()
	b := run[string](p, `axe.run(document, { runOnly: { type: "tag", values: `+rules+` }, resultTypes: ["violations"] }).then((r) => JSON.stringify(r.violations))`)
	must(p.tb, json.Unmarshal([]byte(b), &out))
	return out
}

// page is one to be looked at, and of which bench.
type page struct{ name, url string }

func (v violation) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s", v.ID, v.Help)
	for _, n := range v.Nodes {
		fmt.Fprintf(&b, "\n\t%v %.300s\n\t\t%s", n.Target, n.HTML, strings.ReplaceAll(n.FailureSummary, "\n", "\n\t\t"))
	}
	return b.String()
}

// Every page can be used by everybody, as far as a program can tell: by day and
// by night, on the narrowest screen and on a wide one.
func TestAccessible(t *testing.T) {
	p := newTab(t)
	defer p.close()
	script := axe(t)
	for _, one := range allPages(t) {
		p.open(one.url)
		run[bool](p, script+"; true")
		told := map[string]bool{}
		for _, light := range []string{"light", "dark"} {
			p.features("prefers-color-scheme", light, "prefers-reduced-motion", "reduce")
			if n := run[int](p, animations); n > 0 {
				t.Errorf("%s: %d animations run for people who asked for none", one.name, n)
			}
			for _, width := range []int64{320, 1920} {
				p.size(width, 1080)
				for _, v := range p.violations() {
					if told[v.String()] {
						continue
					}
					told[v.String()] = true
					t.Errorf("%s, %s, %d px wide: %v", one.name, light, width, v)
				}
				if over := run[[]float64](p, overflow); over[0] > 0 {
					t.Errorf("%s, %d px wide: it is %g px too wide", one.name, width, over[0])
				}
			}
		}
	}
}
