package app

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/chart"
	"benchvigil/internal/unit"
)

// lived is a run as it is put into the ledger, and what a filter can pick it by.
type lived struct {
	station, number, outcome string
	began                    time.Time
	lasts                    time.Duration // 0: it goes on
	met                      bool
}

// live puts runs into the ledger, station by station one after the other; each
// tenth of a station begins another case.
func (p *past) live(t testing.TB, n, stations int) (out []lived) {
	t.Helper()
	number := make([]string, stations)
	var events []bench.Event
	put := func() {
		if err := p.l.Append(t.Context(), events); err != nil {
			t.Fatal(err)
		}
		events = nil
	}
	count := uint64(0)
	happens := func(station string, kind bench.EventType, at time.Time, d bench.EventData) {
		count++
		events = append(events, bench.Event{Station: station, Type: kind, Time: at, Concluded: at, Count: count, Data: d})
	}
	for i := range n {
		k, round := i%stations, i/stations
		r := lived{station: fmt.Sprint("s", k+1), began: pastStart.Add(time.Duration(i) * time.Second), outcome: "dropped", lasts: time.Duration(1+i*7919%1000) * 100 * time.Millisecond}
		if round%10 == 0 {
			number[k] = fmt.Sprintf("%d-%d", k, round/10)
			p.l.Record(bench.Observation{At: r.began, Station: r.station, Fact: bench.Mark{Kind: bench.MarkCase, Text: number[k]}})
		}
		r.number, r.met = number[k], i%3 == 0
		happens(r.station, bench.RunStarted, r.began, bench.EventData{})
		end := r.began.Add(time.Duration(stations) * time.Second / 2) // before the next of the station, whatever the clock of the run said
		if r.met {
			happens(r.station, bench.WindowMet, r.began, bench.EventData{Window: unit.Some(time.Second)})
		}
		switch {
		case i >= n-stations:
			r.outcome, r.lasts = "running", 0
		case i%5 == 0:
			r.outcome = "stopped"
			happens(r.station, bench.RunStopped, end, bench.EventData{Uptime: unit.Some(r.lasts)})
		default:
			happens(r.station, bench.RunDropped, end, bench.EventData{Kind: bench.Died, Uptime: unit.Some(r.lasts)})
		}
		if out = append(out, r); len(events) > 2000 {
			put()
		}
	}
	put()
	if err := p.l.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	return out
}

// countOf sums up what is in a list another way than the ledger is asked.
func countOf(all []lived, picked func(*lived) bool) (t chart.Totals) {
	var lengths []float64
	for i := range all {
		r := &all[i]
		if !picked(r) {
			continue
		}
		t.Runs++
		if r.met {
			t.Met++
		}
		switch r.outcome {
		case "running":
			t.Running++
			continue
		case "dropped":
			t.Dropped++
		case "stopped":
			t.Stopped++
		}
		lengths = append(lengths, r.lasts.Seconds())
	}
	if t.Known = len(lengths); t.Known == 0 {
		return t
	}
	slices.Sort(lengths)
	t.ShortestS, t.LongestS = lengths[0], lengths[len(lengths)-1]
	t.MedianS = (lengths[(len(lengths)-1)/2] + lengths[len(lengths)/2]) / 2
	return t
}

// The sums are over all that a filter picks, whatever the size of a page.
func TestTotalsOverTheFilter(t *testing.T) {
	p := newPast(t, time.Second, time.Second, func(int) int64 { return 0 })
	all := p.live(t, 1203, 4)
	for name, tt := range map[string]struct {
		q      chart.HistoryQuery
		picked func(*lived) bool
	}{
		"all":        {chart.HistoryQuery{}, func(*lived) bool { return true }},
		"a station":  {chart.HistoryQuery{Station: "s3"}, func(r *lived) bool { return r.station == "s3" }},
		"a case":     {chart.HistoryQuery{Case: "1-7"}, func(r *lived) bool { return r.number == "1-7" }},
		"an outcome": {chart.HistoryQuery{Outcome: "stopped"}, func(r *lived) bool { return r.outcome == "stopped" }},
		"a page":     {chart.HistoryQuery{Limit: 5, Cursor: chart.Cursor(100)}, func(*lived) bool { return true }},
		"nothing":    {chart.HistoryQuery{Case: "none"}, func(*lived) bool { return false }},
		"a station, an outcome and a time": {
			chart.HistoryQuery{Station: "s2", Outcome: "dropped", From: pastStart.Add(10 * time.Minute), To: pastStart.Add(15 * time.Minute)},
			func(r *lived) bool {
				return r.station == "s2" && r.outcome == "dropped" && !r.began.Add(2*time.Second).Before(pastStart.Add(10*time.Minute)) && !r.began.After(pastStart.Add(15*time.Minute))
			},
		},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := p.Totals(t.Context(), tt.q)
			if err != nil {
				t.Fatal(err)
			}
			want := countOf(all, tt.picked)
			if math.Abs(got.MedianS-want.MedianS) > 1e-9 {
				t.Errorf("the median is %v s, want %v s", got.MedianS, want.MedianS)
			}
			got.MedianS = want.MedianS
			if got != want {
				t.Errorf("%+v, want %+v", got, want)
			}
		})
	}
}

// BenchmarkHistory looks at pages and sums of 100,000 runs of 40 stations and
// 10,000 cases.
func BenchmarkHistory(b *testing.B) {
	p := newPast(b, time.Second, time.Second, func(int) int64 { return 0 })
	p.live(b, 100_000, 40)
	for name, q := range map[string]chart.HistoryQuery{
		"all": {}, "station": {Station: "s7"}, "case": {Case: "7-3"}, "outcome": {Outcome: "stopped"},
		"old": {Cursor: chart.Cursor(500)}, "day": {From: pastStart.Add(time.Hour), To: pastStart.Add(25 * time.Hour)},
	} {
		b.Run("page/"+name, func(b *testing.B) {
			for b.Loop() {
				if page, err := p.Runs(b.Context(), q); err != nil || len(page.Items) == 0 {
					b.Fatal(len(page.Items), err)
				}
			}
		})
		b.Run("sums/"+name, func(b *testing.B) {
			for b.Loop() {
				if t, err := p.Totals(b.Context(), q); err != nil || t.Runs == 0 {
					b.Fatal(t, err)
				}
			}
		})
	}
}

// What is said of two runs is true of the currents that were put in: the same
// board twice, another board, and the first one that dropped in the 30th second.
// It is the same from single readings and from the columns of a picture.
func TestComparisonIsTrue(t *testing.T) {
	const each, lasts = 100, 80 // s
	currents := []func(s int) int64{
		board(600_000, 300_000, lasts), board(600_000, 300_000, lasts), board(600_000, 150_000, lasts), board(600_000, 300_000, 30),
	}
	p := newPast(t, 100*time.Millisecond, time.Duration(each*len(currents))*time.Second, func(i int) int64 {
		s := i / 10
		return currents[s/each](s%each) + int64(i%3-1)*5_000
	})
	var events []bench.Event
	for i, up := range []time.Duration{lasts, lasts, lasts, 30} {
		at := pastStart.Add(time.Duration(i*each) * time.Second)
		end := at.Add(up * time.Second)
		events = append(
			events,
			bench.Event{Station: "s1", Type: bench.RunStarted, Time: at, Concluded: at, Count: uint64(2*i + 1)},
			bench.Event{Station: "s1", Type: bench.RunDropped, Time: end, Concluded: end, Count: uint64(2*i + 2), Data: bench.EventData{Kind: bench.Died, Uptime: unit.Some(up * time.Second)}},
		)
	}
	if err := p.l.Append(t.Context(), events); err != nil {
		t.Fatal(err)
	}
	page, err := p.Runs(t.Context(), chart.HistoryQuery{})
	if err != nil || len(page.Items) != len(currents) {
		t.Fatal(len(page.Items), err)
	}
	slices.Reverse(page.Items)
	for name, tt := range map[string]struct {
		other        int
		part, common int64 // ms; -1: they go together
		mean         int64 // µA
		here, there  int64
	}{
		"the same board": {other: 1, part: -1, common: 80_000},
		"another board":  {other: 2, part: 20_000, common: 80_000, mean: 112_500, here: 300_000, there: 150_000},
		"one dropped":    {other: 3, part: -1, common: 30_000},
	} {
		for _, points := range []int{2000, 200} {
			t.Run(fmt.Sprint(name, " in ", points), func(t *testing.T) {
				c, err := p.Compare(t.Context(), page.Items[0].ID, page.Items[tt.other].ID, points)
				if err != nil {
					t.Fatal(err)
				}
				got, ok := c.Apart()
				near := func(what string, got, want, by int64) {
					if got < want-by || got > want+by {
						t.Errorf("%s is %d, want %d within %d", what, got, want, by)
					}
				}
				if !ok {
					t.Fatal("they cannot be compared")
				}
				near("the parting in ms", got.PartMS, tt.part, c.StepMS)
				near("the common time in ms", got.CommonMS, tt.common, 2*max(c.StepMS, 100))
				near("the mean difference", got.Mean, tt.mean, 10_000)
				near("the current here", got.Here, tt.here, 50_000)
				near("the current there", got.There, tt.there, 50_000)
			})
		}
	}
}

// board draws more for 20 s, then less, until it drops.
func board(start, then int64, drops int) func(s int) int64 {
	return func(s int) int64 {
		switch {
		case s >= drops:
			return 0
		case s < 20:
			return start
		}
		return then
	}
}
