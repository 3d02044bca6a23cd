package browser

import "testing"

// allPages are every page there is, each where it has most on it.
func allPages(tb testing.TB) []page {
	tb.Helper()
	states := demo(tb, "--states")
	return []page{
		{"wall", demo(tb, "--states", "--stations", "12") + wallPath},
		{"all states", states + "/dev/states"},
		{"stations on a phone", states + "/m"},
		{"a station on a phone", states + "/m/s-2"},
		{"alerts", states + "/alerts"},
	}
}
