package browser

import "testing"

// wallPath is where the wall is.
const wallPath = "/wall"

// page is one to be looked at.
type page struct{ name, url string }

// allPages are every page there is, each where it has most on it.
func allPages(tb testing.TB) []page {
	tb.Helper()
	states := demo(tb, "--states")
	real := newRig(tb, "", "left").url
	played := demo(tb, "--stations", "8", "--speed", livedFast, "--data", tb.TempDir())
	compared := played + comparePath(tb, played)
	return []page{
		{"wall", demo(tb, "--states", "--stations", "12") + wallPath},
		{"desk", demo(tb, "--states", "--stations", "12") + "/"},
		{"all states", states + "/dev/states"},
		{"stations on a phone", states + "/m"},
		{"a station on a phone", states + "/m/s-2"},
		{"alerts", states + "/alerts"},
		{"phones", real + "/phone"},
		{"station", real + "/station/left"},
		{"history", played + "/history"},
		{"two runs", compared},
		{"who did what", played + "/audit"},
		{"history without a ledger", states + "/history"},
		{"a station without a ledger", states + "/station/s-2"},
	}
}
