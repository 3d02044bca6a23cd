package app

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/alert/dispatch"
	"benchvigil/internal/alert/rule"
)

// Outlets that share a computer which cannot be reached are one trouble, at the first
// of them, until all work again; what is an outlet's own is told by itself.
func TestOneHostIsOneTrouble(t *testing.T) {
	var h hosts
	now := time.Date(2026, 3, 9, 2, 0, 0, 0, time.UTC)
	const host = "192.0.2.7:443"
	down := func(host, why string) *fault {
		now = now.Add(time.Second)
		return &fault{now, why, host}
	}
	says := func(what string, got []rule.Trouble, want ...string) {
		t.Helper()
		var all []string
		for _, g := range got {
			all = append(all, fmt.Sprintf("%s over=%v %s", g.Rule, g.Over, g.Why))
		}
		if strings.Join(all, "\n") != strings.Join(want, "\n") {
			t.Errorf("%s: %q, want %q", what, all, want)
		}
	}
	says("the first", h.take("a", down(host, "refused"), now), "a over=false refused")
	says("another at it", h.take("b", down(host, "refused"), now), "a over=false 192.0.2.7:443 cannot be reached, which a, b need: refused")
	says("its own", h.take("c", down("", "401"), now), "c over=false 401")
	says("the first is back", h.take("a", nil, now), "a over=false 192.0.2.7:443 cannot be reached, which b needs: refused")
	says("all are", h.take("b", nil, now), "a over=true ")
	says("its own is", h.take("c", nil, now), "c over=true ")
	says("from before this start", h.take("d", nil, now), "d over=true ")

	h.take("a", down(host, "refused"), now)
	h.take("b", down(host, "refused"), now)
	says("reached, and refused there", h.take("a", down("", "401"), now),
		"a over=false 192.0.2.7:443 cannot be reached, which b needs: refused", "a over=false 401")
	says("the host is back, the first still fails", h.take("b", nil, now), "a over=false 401")
	if got := h.gone(map[string]dispatch.Outlet{"b": nil}); len(got) != 1 || got[0] != "a" {
		t.Errorf("the configuration has it no longer: %v", got)
	}
	says("and is back", h.take("a", nil, now), "a over=true ")
}
