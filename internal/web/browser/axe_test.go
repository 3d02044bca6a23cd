package browser

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"
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

// every is all rules of WCAG 2.2 up to AA, and what axe-core holds for good
// besides; seen are those that colours and the width of the screen bear on.
const (
	every = `{ type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }`
	seen  = `{ type: "rule", values: ["color-contrast", "target-size", "link-in-text-block", "scrollable-region-focusable"] }`
)

func (p *tab) violations(rules string) (out []violation) {
	p.tb.Helper()
	b := run[string](p, `axe.run(document, { runOnly: `+rules+`, resultTypes: ["violations"] }).then((r) => JSON.stringify(r.violations))`)
	must(p.tb, json.Unmarshal([]byte(b), &out))
	return out
}

func (v violation) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s", v.ID, v.Help)
	for _, n := range v.Nodes {
		fmt.Fprintf(&b, "\n\t%v %.300s\n\t\t%s", n.Target, n.HTML, strings.ReplaceAll(n.FailureSummary, "\n", "\n\t\t"))
	}
	return b.String()
}

// looks are how a page is looked at: by day and by night, on the narrowest screen
// and on a wide one.
var looks = []struct {
	light string
	width int64
	rules string
}{{"light", 320, every}, {"dark", 320, seen}, {"dark", 1920, every}, {"light", 1920, seen}}

// Every page can be used by everybody, as far as a program can tell.
func TestAccessible(t *testing.T) {
	p := newTab(t)
	defer p.close()
	script := axe(t)
	for _, one := range allPages(t) {
		if code := p.load(one.url); code != 200 {
			t.Errorf("%s: status %d of %s", one.name, code, one.url)
			continue
		}
		run[bool](p, script+"; true")
		p.checkAccess(one.name)
	}
}

func (p *tab) checkAccess(name string) {
	p.tb.Helper()
	began, told := time.Now(), map[string]bool{}
	for _, l := range looks {
		p.features("prefers-color-scheme", l.light, "prefers-reduced-motion", "reduce")
		p.size(l.width, high)
		where := fmt.Sprintf("%s, %s, %d px wide", name, l.light, l.width)
		for _, v := range p.violations(l.rules) {
			if text := v.String(); !told[text] {
				told[text] = true
				p.tb.Errorf("%s: %s", where, text)
			}
		}
		if n := run[int](p, animations); n > 0 {
			p.tb.Errorf("%s: %d animations run for people who asked for none", where, n)
		}
		if over := run[[]float64](p, overflow); over[0] > 0 {
			p.tb.Errorf("%s: it is %g px too wide", where, over[0])
		}
	}
	p.tb.Logf("%s: looked at in %v", name, time.Since(began).Round(time.Millisecond))
}
