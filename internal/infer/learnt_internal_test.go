package infer

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"benchvigil/internal/bench"
)

func restores(finished bool, minutes ...int) (out []bench.Stay) {
	for _, m := range minutes {
		out = append(out, bench.Stay{Mode: bench.Restoring, Lasted: time.Duration(m) * time.Minute, Finished: finished})
	}
	return out
}

func quiets(seconds ...int) (out []bench.Stay) {
	for _, s := range seconds {
		out = append(out, bench.Stay{
			Mode: bench.Restoring, Lasted: time.Hour, Quiet: time.Duration(s) * time.Second, Finished: true,
		})
	}
	return out
}

func TestBelievableQuiet(t *testing.T) {
	for _, tc := range []struct {
		name      string
		stays     []bench.Stay
		low, high ms
	}{
		{"nothing", nil, 0, 0},
		{"seven are too few", quiets(10, 20, 30, 40, 50, 60, 70), 0, 0},
		{"eight: wide, so half as much again as the longest", quiets(10, 20, 30, 40, 50, 60, 70, 200), 300_000, 300_000},
		{"all alike: no fit", quiets(90, 90, 90, 90, 90, 90, 90, 90), 135_000, 135_000},
		{"none stood still", quiets(0, 0, 0, 0, 0, 0, 0, 0), 1500, 1500},
		{
			"many that are close together: little beyond the longest",
			quiets(90, 91, 92, 93, 94, 95, 96, 97, 98, 99, 100, 101, 102, 103, 104, 105, 106, 107, 108, 109), 109_000, 120_000,
		},
	} {
		if got := believableQuiet(tc.stays); got < tc.low || got > tc.high {
			t.Errorf("%s: %d ms, want %d to %d", tc.name, got, tc.low, tc.high)
		}
	}
	broken := append(quiets(10, 20, 30, 40, 50, 60, 70), bench.Stay{Mode: bench.Restoring, Lasted: time.Hour, Quiet: time.Hour})
	if got := believableQuiet(broken); got != 0 {
		t.Errorf("one that broke off counted: %d ms", got)
	}
}

// The limit is never below the longest quiet time of work that finished, never
// beyond half as much again, and another unit of time scales it.
func TestBelievableQuietProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.SliceOfN(rapid.IntRange(1, 2000), leastStays, 40).Draw(t, "quiet")
		var scaled []int
		longest := 0
		for _, q := range s {
			scaled = append(scaled, 60*q)
			longest = max(longest, q)
		}
		limit, by60 := believableQuiet(quiets(s...)), believableQuiet(quiets(scaled...))
		if limit < ms(1000*longest) || limit > ms(1500*longest) {
			t.Fatalf("limit %d ms, longest %d s", limit, longest)
		}
		if d := by60 - 60*limit; max(d, -d) > 120 {
			t.Fatalf("limit %d ms, in minutes %d ms", limit, by60)
		}
	})
}

func TestNeeds(t *testing.T) {
	nine := restores(true, 10, 12, 14, 16, 18, 20, 22, 24, 40)
	for _, tc := range []struct {
		name         string
		stays        []bench.Stay
		age          time.Duration
		median, most time.Duration // -1: unknown
		of           int           // 0: nothing is said
		passed       bool
	}{
		{"four are too few", nine[:4], 0, -1, -1, 0, false},
		{"five: a median", nine[:5], 0, 14 * time.Minute, -1, 5, false},
		{"nine: the longest is passed one time in ten", nine, 0, 18 * time.Minute, 40 * time.Minute, 9, false},
		{"counted from now", nine, 15 * time.Minute, 6 * time.Minute, -1, 6, false},
		{"two are left: too few", nine, 23 * time.Minute, -1, -1, 0, false},
		{"longer than all", nine, 41 * time.Minute, -1, -1, 9, true},
		{
			"those that broke off lasted at least so long", append(restores(false, 5, 11, 30, 30, 30, 30), nine...), 0,
			22 * time.Minute, 40 * time.Minute, 9, false,
		},
		{"broken off alone say nothing", restores(false, 10, 20, 30, 40, 50, 60), 0, -1, -1, 0, false},
	} {
		v := needsOf(tc.stays, bench.Restoring, millis(tc.age))
		if v == nil {
			if tc.of != 0 {
				t.Errorf("%s: nothing is said", tc.name)
			}
			continue
		}
		if got := v.Median.Or(-1); got != tc.median {
			t.Errorf("%s: median %v, want %v", tc.name, got, tc.median)
		}
		if got := v.Most.Or(-1); got != tc.most {
			t.Errorf("%s: at most %v, want %v", tc.name, got, tc.most)
		}
		if v.Of != tc.of || v.Passed != tc.passed {
			t.Errorf("%s: of %d, passed %v", tc.name, v.Of, v.Passed)
		}
	}
}

// Nine of ten future restores end within the limit that nine finished ones give:
// exactly, whatever the distribution of their lengths, because every order of
// ten lengths is as likely as the other.
func TestNeedsCovers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lengths := rapid.Permutation([]int{3, 5, 8, 13, 21, 34, 55, 89, 144, 233}).Draw(t, "order")
		passed := 0
		for i := range lengths {
			others := append(append([]int{}, lengths[:i]...), lengths[i+1:]...)
			v := needsOf(restores(true, others...), bench.Restoring, 0)
			if most, ok := v.Most.Get(); !ok || most < time.Duration(lengths[i])*time.Minute {
				passed++
			}
		}
		if passed != 1 {
			t.Fatalf("%d of ten passed", passed)
		}
	})
}

func TestOdds(t *testing.T) {
	up := func(seconds ms) ranState { return ranState{Up: 1000 * seconds} }
	drop := func(seconds ms) ranState { return ranState{Up: 1000 * seconds, Dropped: true} }
	for _, tc := range []struct {
		name             string
		runs             []ranState
		age              ms
		lasted, of       int // of 0: nothing is said
		share, low, high float64
	}{
		{"nothing", nil, 0, 0, 0, 0, 0, 0},
		{"stopped before the window: nobody knows", []ranState{up(100)}, 0, 0, 0, 0, 0, 0},
		{"2 of 2", []ranState{drop(300), up(400)}, 0, 2, 2, 1, 0.2236, 1},
		{"0 of 3", []ranState{drop(20), drop(30), drop(0)}, 0, 0, 3, 0, 0, 0.6316},
		{"1 of 2", []ranState{drop(20), up(300)}, 0, 1, 2, 0.5, 0.0253, 0.9747},
		{"only those that came as far", []ranState{drop(20), up(300)}, 30, 1, 1, 1, 0.05, 1},
		{"none came as far", []ranState{drop(20), drop(30)}, 40, 0, 0, 0, 0, 0},
		{"a stop between: the curve", []ranState{drop(20), up(100), drop(150), up(300)}, 0, 1, 3, 0.375, 0.0293, 0.7615},
	} {
		v := oddsOf(tc.runs, 1000*tc.age, 210_000)
		if v == nil {
			if tc.of != 0 {
				t.Errorf("%s: nothing is said", tc.name)
			}
			continue
		}
		off := func(a, b float64) bool { return a-b > 1e-4 || b-a > 1e-4 }
		if v.Lasted != tc.lasted || v.Of != tc.of || off(v.Share, tc.share) || off(v.Low, tc.low) || off(v.High, tc.high) {
			t.Errorf("%s: %+v", tc.name, *v)
		}
	}
}

// Limits hold the share; one more run that lasts never makes the odds worse.
func TestOddsProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var runs []ranState
		for range rapid.IntRange(1, 20).Draw(t, "n") {
			runs = append(runs, ranState{Up: ms(rapid.IntRange(0, 400).Draw(t, "up")) * 1000, Dropped: rapid.Bool().Draw(t, "dropped")})
		}
		v := oddsOf(runs, 0, 210_000)
		if v == nil {
			return
		}
		if v.Share < v.Low || v.Share > v.High || v.Low < 0 || v.High > 1 || v.Lasted > v.Of {
			t.Fatalf("%+v", *v)
		}
		better := oddsOf(append(runs, ranState{Up: 500_000}), 0, 210_000)
		if better.Share < v.Share-1e-9 {
			t.Fatalf("%+v, and with one more that lasted %+v", *v, *better)
		}
	})
}

// BenchmarkOdds and BenchmarkNeeds are what a snapshot costs beside the rest, ten
// times a second and station.
func BenchmarkOdds(b *testing.B) {
	var runs []ranState
	for i := range mostRuns {
		runs = append(runs, ranState{Up: ms(i) * 7919 % 400_000, Dropped: i%3 != 0})
	}
	b.ReportAllocs()
	for b.Loop() {
		oddsOf(runs, 10_000, 210_000)
	}
}

func BenchmarkNeeds(b *testing.B) {
	var minutes []int
	for i := range mostStays {
		minutes = append(minutes, 10+i*7919%90)
	}
	stays := restores(true, minutes...)
	b.ReportAllocs()
	for b.Loop() {
		needsOf(stays, bench.Restoring, 600_000)
	}
}
