package web

import (
	"strings"
	"testing"

	"benchvigil/internal/chart"
)

func TestLastingInWords(t *testing.T) {
	low, high := 0.45, 0.94
	s := chart.Survival{
		WindowS: 180, LastS: 240, AtWindow: &chart.Chance{Share: 0.78, Low: &low, High: &high},
		Runs: []chart.Lasted{{LastedS: 200}, {LastedS: 240, Censored: true}, {LastedS: 90}, {LastedS: 30, Censored: true}},
		Steps: []chart.Step{
			{AtS: 90, Share: 0.67, Low: &low, High: &high},
			{AtS: 200, Share: 0.33},
		},
	}
	l := lastingOf(&s)
	if want := "2 of 3 lasted 3 min 00 s, 1 ended otherwise or goes on"; l.Share != want {
		t.Errorf("%q, want %q", l.Share, want)
	}
	if want := "78 %, 45 to 94 %"; l.Limits != want {
		t.Errorf("%q, want %q", l.Limits, want)
	}
	if n := len(l.Picture.Dots); n != 2 {
		t.Errorf("%d runs that would have lasted longer, want 2", n)
	}
	if lastingOf(&chart.Survival{}) != nil {
		t.Error("there is a curve of no runs")
	}
}

// A line breaks where nothing was read, and nowhere else.
func TestStartBreaksAtGaps(t *testing.T) {
	c := chart.Channel{Scale: 1e-6, T: []int64{0, 100, 200, 300}, V: chart.Values{1e5, 2e5, chart.Absent, 1e5}}
	if got := strings.Count(startPicture([]*chart.Channel{&c}, "").Lines[0].Path, "M"); got != 2 {
		t.Errorf("%d strokes, want 2", got)
	}
}
