package roster_test

import (
	"maps"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/alert/roster"
	"benchvigil/internal/bench"
)

func genView(t *rapid.T, start time.Time) *bench.AlertView {
	s := rapid.SampledFrom(bench.Severities()).Draw(t, "severity")
	at := start.Add(time.Duration(rapid.IntRange(0, 7*24*60).Draw(t, "minute")) * time.Minute)
	if rapid.Bool().Draw(t, "news") {
		return news(s, at)
	}
	return view(s, at)
}

// TestNextIsWhen follows Next from one time to the next: the messages are the
// same as those of asking all the time, none of them twice, and a restart at any
// time finds those again that are due.
func TestNextIsWhen(t *testing.T) {
	start := evening(t)
	r := house(t, func(o *roster.Options) {
		o.Quiet = []roster.Span{span(t, "sat,sun 00:00-24:00"), span(t, "01:00-05:00")}
	})
	rapid.Check(t, func(t *rapid.T) {
		v := genView(t, start)
		end := v.Raised.Add(80 * time.Hour)
		asking, following := map[string]time.Time{}, map[string]time.Time{}
		note := func(to map[string]time.Time, now time.Time) (added int) {
			for _, d := range r.Later(v, now) {
				if _, ok := to[d.Message.Key]; !ok {
					to[d.Message.Key] = d.Due
					added++
				}
			}
			return added
		}
		for now := v.Raised; now.Before(end); now = now.Add(time.Minute) {
			note(asking, now)
			if now.Sub(v.Raised) > 13*time.Hour { // all repeats are done, and all news is old
				now = now.Add(29 * time.Minute)
			}
		}
		note(following, v.Raised)
		for now := r.Next(v, v.Raised); !now.IsZero() && now.Before(end); now = r.Next(v, now) {
			if note(following, now) == 0 {
				t.Fatalf("nothing is due at %v, which was said to be next", now)
			}
		}
		if d := cmp.Diff(asking, following); d != "" {
			t.Fatalf("(-asking all the time +following Next)\n%s", d)
		}
		restart := v.Raised.Add(time.Duration(rapid.IntRange(0, 1000).Draw(t, "restart")) * time.Minute)
		for _, d := range r.Later(v, restart) {
			if due, ok := asking[d.Message.Key]; !ok || !due.Equal(d.Due) {
				t.Fatalf("after a restart at %v: %s, which was not due before", restart, d.Message.Key)
			}
		}
	})
}

// TestDangerReachesSomebody whatever the rules are: some receiver hears of
// every danger at once.
func TestDangerReachesSomebody(t *testing.T) {
	start := evening(t)
	names := []string{"Anna", "Ben", "lamp", "log"}
	rapid.Check(t, func(t *rapid.T) {
		o := roster.Options{
			Stations: []string{"left", "right"}, Outlets: []string{"phones", "mail", "lamp", "log"},
			People: []roster.Person{
				{Name: "Anna", Outlets: []string{"phones", "mail"}, Quiet: []roster.Span{{From: 0, To: 24 * 60}}},
				{Name: "Ben", Outlets: []string{"phones"}, Quiet: []roster.Span{{From: 22 * 60, To: 7 * 60}}},
			},
			Everybody: rapid.SliceOfDistinct(rapid.SampledFrom(names), rapid.ID).Draw(t, "everybody"),
		}
		for range rapid.IntRange(0, 4).Draw(t, "rules") {
			o.Rules = append(o.Rules, roster.Rule{
				Stations:   rapid.SliceOfDistinct(rapid.SampledFrom([]string{"left", "right", "bench"}), rapid.ID).Draw(t, "stations"),
				Severities: rapid.SliceOfDistinct(rapid.SampledFrom(bench.Severities()), rapid.ID).Draw(t, "severities"),
				Tell:       rapid.SliceOfN(rapid.SampledFrom(names), 1, 3).Draw(t, "tell"),
				Then:       [][]string{rapid.SliceOf(rapid.SampledFrom(names)).Draw(t, "then")},
			})
		}
		r, err := roster.New(o)
		if err != nil {
			t.Fatal(err)
		}
		v := genView(t, start)
		v.Severity, v.Station = bench.Danger, rapid.SampledFrom([]string{"left", "right", ""}).Draw(t, "station")
		got := r.Due(v, bench.AlertWasRaised, v.Raised)
		if len(got) == 0 {
			t.Fatal("a danger that nobody hears of")
		}
		keys := map[string]bool{}
		for _, d := range got {
			keys[d.Message.To+"@"+d.Outlet] = true
			if keys["@"+d.Outlet] && d.Message.To != "" {
				t.Fatalf("%s is told as a whole, and %s by it too", d.Outlet, d.Message.To)
			}
		}
		if len(keys) != len(got) {
			t.Fatalf("somebody is told twice: %v", slices.Sorted(maps.Keys(keys)))
		}
	})
}
