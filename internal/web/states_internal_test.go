package web

import (
	"fmt"
	"net/http"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The page for review has every state once, and is there only where it was
// asked for.
func TestStatesPage(t *testing.T) {
	o := options(t, someStations(len(allStates()))...)
	if code := ask(t, newSite(t, o), http.MethodGet, "/dev/states").StatusCode; code != http.StatusNotFound {
		t.Errorf("status %d where nobody asked for it, want 404", code)
	}
	o.States = map[string]string{}
	for i, c := range allStates() {
		o.States[fmt.Sprintf("s-%d", i+1)] = c.what
	}
	root := parse(t, body(t, ask(t, newSite(t, o), http.MethodGet, "/dev/states?as=few")))
	var got, want []string
	for _, h := range all(root, "h3", "") {
		got = append(got, text(h))
	}
	for _, c := range allStates() {
		want = append(want, c.what)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if n := len(all(root, "article", "tile")); n != len(want) {
		t.Errorf("%d tiles, want %d", n, len(want))
	}
}
