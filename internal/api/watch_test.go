package api_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"benchvigil/internal/api"
	"benchvigil/internal/bench"
)

// A goal is armed by a mark; one that cannot be read is refused, and so is done
// where nothing is armed.
func TestGoalsByMark(t *testing.T) {
	for _, tc := range []struct {
		body string
		code int
		want string
	}{
		{`{"kind":"arm","by":"kim","text":"stay 3h"}`, http.StatusNoContent, ""},
		{`{"kind":"arm","text":"stay"}`, http.StatusNoContent, ""},
		{`{"kind":"arm","text":"reach running"}`, http.StatusUnprocessableEntity, "how long may it take?"},
		{`{"kind":"arm"}`, http.StatusUnprocessableEntity, "no goal: write stay"},
		{`{"kind":"done"}`, http.StatusConflict, "no goal is armed on s1 that could be done"},
		{`{"kind":"disarm"}`, http.StatusConflict, "no goal is armed on s1"},
	} {
		d := &desk{}
		code, body, _ := ask(t, d.handler(t), http.MethodPost, "/api/v1/stations/s1/marks", tc.body)
		if code != tc.code || !strings.Contains(body, tc.want) || (len(d.marks) == 1) != (code == http.StatusNoContent) {
			t.Errorf("%s: %d %s and %d marks; want %d with %q", tc.body, code, body, len(d.marks), tc.code, tc.want)
		}
	}
}

func TestWatchOfAStation(t *testing.T) {
	s := bench.Snapshot{
		Watch: &bench.WatchView{
			Goal: bench.Goal{Kind: bench.GoalStay, For: 3 * time.Hour}, By: "kim", Armed: moment, From: moment.Add(time.Minute), Takes: 3 * time.Hour,
		},
		LastWatch: &bench.WatchView{
			Goal: bench.Goal{Kind: bench.GoalCopy}, Armed: moment.Add(-time.Hour), Ended: moment, EndedAs: bench.WatchFailed, Kind: bench.WatchDropped, Why: "dropped (died) after 10.0 s",
		},
	}
	b, err := json.Marshal(api.StatusOf(&s))
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Watch     map[string]any `json:"watch"`
		LastWatch map[string]any `json:"last_watch"`
	}
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	want := []map[string]any{
		{"goal": "stay 3h", "by": "kim", "armed": "2026-03-02T21:14:05Z", "counts_from": "2026-03-02T21:15:05Z", "takes_s": 10800.0},
		{
			"goal": "copy", "armed": "2026-03-02T20:14:05Z", "ended": "2026-03-02T21:14:05Z", "ended_as": "benchvigil.watch.failed",
			"kind": "dropped", "why": "dropped (died) after 10.0 s",
		},
	}
	if diff := cmp.Diff(want, []map[string]any{got.Watch, got.LastWatch}); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
