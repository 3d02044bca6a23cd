package web

import (
	"os/exec"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// The tests of what a chart decides are written in its own language.
func TestChartData(t *testing.T) {
	node, err := exec.LookPath("node")
	if err != nil {
		t.Skip("no node: it comes with npm, which the bundling of the pages needs")
	}
	out, err := exec.CommandContext(t.Context(), node, "--test", "assets/chartdata.test.mjs").CombinedOutput()
	if err != nil {
		t.Fatalf("%v:\n%s", err, out)
	}
}

// A page is told since when the clock of the bench is how far from UTC.
func TestClockChanges(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip(err)
	}
	at := time.Date(2026, 10, 25, 12, 0, 0, 0, zone)
	got := clockChanges(at, zone)
	want := []clockChange{
		{at.Add(-clockBefore).UnixMilli(), 120},
		{time.Date(2025, 10, 26, 1, 0, 0, 0, time.UTC).UnixMilli(), 60},
		{time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC).UnixMilli(), 120},
		{time.Date(2026, 10, 25, 1, 0, 0, 0, time.UTC).UnixMilli(), 60},
		{time.Date(2027, 3, 28, 1, 0, 0, 0, time.UTC).UnixMilli(), 120},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
	if got := clockChanges(at, time.UTC); len(got) != 1 || got[0][1] != 0 {
		t.Errorf("UTC: %v, want one stretch of 0 minutes", got)
	}
}
