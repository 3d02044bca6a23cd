package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"benchvigil/internal/alert/dispatch"
	"benchvigil/internal/alert/rule"
	"benchvigil/internal/bench"
	"benchvigil/internal/config"
)

// hosts make one trouble of outlets that fail because the one computer behind them
// cannot be reached. It stands at the outlet that was the first, until all work
// again: each comes back at its own next try, and must not ring by itself then.
type hosts struct {
	mu    sync.Mutex
	down  map[string]fault  // by outlet
	first map[string]string // the outlet that stands for a host
}

// fault is why an outlet does not deliver.
type fault struct {
	since time.Time
	why   string
	host  string // that cannot be reached; empty: it is the outlet's own
}

// take takes news of an outlet, nil where it works again, and returns the troubles
// that began, changed or ended by it.
func (h *hosts) take(outlet string, f *fault, now time.Time) (out []rule.Trouble) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.down == nil {
		h.down, h.first = map[string]fault{}, map[string]string{}
	}
	var touched []string
	if old, ok := h.down[outlet]; ok {
		touched = append(touched, old.key(outlet))
	}
	delete(h.down, outlet)
	if f != nil {
		h.down[outlet] = *f
		touched = append(touched, f.key(outlet))
	}
	if len(touched) == 0 { // it stood before this start, by itself
		return []rule.Trouble{{Kind: bench.AlertOutlet, Rule: outlet, At: now, Over: true}}
	}
	for _, key := range slices.Compact(touched) {
		out = append(out, h.troubleLocked(key, now))
	}
	return out
}

// gone are the outlets that fail and that the configuration no longer has.
func (h *hosts) gone(still map[string]dispatch.Outlet) (out []string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for name := range h.down {
		if still[name] == nil {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out
}

func (f *fault) key(outlet string) string { return cmp.Or(f.host, "outlet "+outlet) }

// troubleLocked is that of all outlets of a key as it is now.
func (h *hosts) troubleLocked(key string, now time.Time) rule.Trouble {
	var failing []string
	for name, f := range h.down {
		if f.key(name) == key {
			failing = append(failing, name)
		}
	}
	slices.SortFunc(failing, func(a, b string) int { return cmp.Or(h.down[a].since.Compare(h.down[b].since), cmp.Compare(a, b)) })
	t := rule.Trouble{Kind: bench.AlertOutlet, Rule: h.first[key], At: now}
	if len(failing) > 0 {
		t.Rule = cmp.Or(t.Rule, failing[0])
		h.first[key] = t.Rule
		f := h.down[failing[0]]
		t.Since, t.Why = f.since, f.why
		if len(failing) > 1 || failing[0] != t.Rule {
			t.Why = fmt.Sprintf("%s cannot be reached, which %s %s: %s", key, strings.Join(failing, ", "), map[bool]string{true: "needs", false: "need"}[len(failing) == 1], f.why)
		}
		return t
	}
	delete(h.first, key)
	if f, ok := h.down[t.Rule]; ok { // it fails by itself now
		t.Since, t.Why = f.since, f.why
		return t
	}
	t.Over = true
	return t
}

// hostOf is the computer that an outlet of the configuration hands its messages to,
// with its port; empty where there are several or nobody knows.
func hostOf(o *config.Outlet) string {
	if o.Kind == config.Email {
		return o.Server
	}
	u, err := url.Parse(o.URL.Reveal())
	if err != nil {
		return ""
	}
	return u.Host
}

// unreached reports that a computer did not even answer.
func unreached(err error) bool {
	if _, ok := errors.AsType[*net.OpError](err); ok {
		return true
	}
	_, noName := errors.AsType[*net.DNSError](err)
	return noName || errors.Is(err, context.DeadlineExceeded)
}
