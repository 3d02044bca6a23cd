package stats_test

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"benchvigil/internal/stats"
)

// rowsOf reads a table of testdata without its heading.
func rowsOf(t testing.TB, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close() //nolint:errcheck // opened for reading only
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

// columnOf reads the numbers of one column of it.
func columnOf(t testing.TB, name string, column int) []float64 {
	t.Helper()
	var out []float64
	for _, row := range rowsOf(t, name) {
		v, err := strconv.ParseFloat(row[column], 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

// The flow of the Nile at Aswan, 1871–1970: dataset Nile of R (Cobb 1978; Durbin
// & Koopman 2001). One change after observation 28, 1898, when the first Aswan
// dam was begun, is what the manual page of R package strucchange finds (Zeileis
// et al. 2002). Sums of squares, BIC and the cuts at other penalties were
// computed with R 4.2.2 and strucchange 1.5-3, whose pieces have at least 15 %
// of the values unless told otherwise; shorter pieces give other cuts.
func TestSegmentNile(t *testing.T) {
	nile := columnOf(t, "nile.csv", 2)
	if len(nile) != 100 {
		t.Fatalf("%d values", len(nile))
	}
	for _, c := range []struct {
		penalty float64
		least   int
		want    []int
		rss     float64
	}{
		{1.3e6, 1, nil, 2835156.75},
		{1237700, 1, nil, 2835156.75},
		{1237699, 1, []int{28}, 1597457.19444444},
		{1e6, 1, []int{28}, 1597457.19444444},
		{5e5, 1, []int{28}, 1597457.19444444},
		{263765.2391, 1, []int{28}, 1597457.19444444}, // 2·ln n·variance
		{1e5, 2, []int{28}, 1597457.19444444},
		{5e4, 1, []int{6, 7, 10, 19, 28, 37, 40, 45, 47, 83, 95}, 1366837.63889 - 11*5e4},
		{1e5, 15, []int{28}, 1597457.19444444},
		{3e4, 15, []int{28, 83}, 1552923.61577540},
		{2e4, 15, []int{28, 45, 68, 83}, 1507888.47591645},
	} {
		t.Run(fmt.Sprintf("%v least %d", c.penalty, c.least), func(t *testing.T) {
			got, err := stats.Segment(nile, c.penalty, c.least)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(c.want, got.Changes); d != "" {
				t.Error(d)
			}
			agree(t, "RSS", got.RSS, c.rss, 1e-4)
		})
	}
}

func TestBICNile(t *testing.T) {
	for _, c := range []struct {
		changes  []int
		rss, bic float64
	}{
		{nil, 2835156.75, 1318.24180688},
		{[]int{28}, 1597457.19444444, 1270.08373574},
		{[]int{28, 83}, 1552923.61577540, 1276.46670076},
		{[]int{28, 68, 83}, 1538096.51274510, 1284.71766745},
		{[]int{28, 45, 68, 83}, 1507888.47591645, 1291.94447689},
		{[]int{15, 30, 45, 68, 83}, 1659993.50042626, 1310.76515477},
	} {
		agree(t, fmt.Sprint(c.changes), stats.Segmentation{Changes: c.changes, RSS: c.rss}.BIC(100, 0), c.bic, 1e-7)
	}
	got, err := stats.SegmentByBIC(columnOf(t, "nile.csv", 2), 15, 0)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]int{28}, got.Changes); d != "" {
		t.Error(d)
	}
}

// A series small enough to be cut by hand; its sums computed with R 4.2.2.
func TestSegmentByHand(t *testing.T) {
	x := []float64{0.1, -0.2, 0.0, 0.1, 3.1, 2.9, 3.0, 3.2, 1.0, 1.1, 0.9, 1.0}
	for penalty, want := range map[float64]stats.Segmentation{
		20: {RSS: 19.47},
		9:  {Changes: []int{4}, RSS: 8.535},
		1:  {Changes: []int{4, 8}, RSS: 0.13},
	} {
		got, err := stats.Segment(x, penalty, 2)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want.Changes, got.Changes); d != "" {
			t.Errorf("penalty %v: %s", penalty, d)
		}
		agree(t, "RSS", got.RSS, want.RSS, 1e-12)
	}
	got, err := stats.SegmentByBIC(x, 2, 0.1)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]int{4, 8}, got.Changes); d != "" {
		t.Error(d)
	}
}

func TestSegmentRefuses(t *testing.T) {
	for name, f := range map[string]func() (stats.Segmentation, error){
		"no values":         func() (stats.Segmentation, error) { return stats.Segment(nil, 1, 1) },
		"too few":           func() (stats.Segmentation, error) { return stats.Segment([]float64{1, 2}, 1, 3) },
		"pieces of nothing": func() (stats.Segmentation, error) { return stats.Segment([]float64{1, 2}, 1, 0) },
		"no number":         func() (stats.Segmentation, error) { return stats.Segment([]float64{1, math.NaN()}, 1, 1) },
		"infinite":          func() (stats.Segmentation, error) { return stats.Segment([]float64{1, math.Inf(-1)}, 1, 1) },
		"penalty":           func() (stats.Segmentation, error) { return stats.Segment([]float64{1, 2}, -1, 1) },
		"floor":             func() (stats.Segmentation, error) { return stats.SegmentByBIC([]float64{1, 2}, 1, -1) },
	} {
		if _, err := f(); !errors.Is(err, stats.ErrSeries) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// exhaustive finds the least sum of squares for each number of changes by
// trying every place of the last one.
func exhaustive(x []float64, least int) []float64 {
	rss := func(from, to int) (sum float64) {
		var mean float64
		for _, v := range x[from:to] {
			mean += v / float64(to-from)
		}
		for _, v := range x[from:to] {
			sum += (v - mean) * (v - mean)
		}
		return sum
	}
	n := len(x)
	best := make([]float64, n+1)
	for end := range best {
		best[end] = math.Inf(1)
		if end >= least {
			best[end] = rss(0, end)
		}
	}
	out := []float64{best[n]}
	for range n/least - 1 {
		next := make([]float64, n+1)
		for end := range next {
			next[end] = math.Inf(1)
			for begin := least; begin <= end-least; begin++ {
				next[end] = min(next[end], best[begin]+rss(begin, end))
			}
		}
		best = next
		out = append(out, best[n])
	}
	return out
}

// Whatever is pruned, the cut is as good as the best of all; so is the one by
// BIC, and no piece is too short.
func TestSegmentIsBest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		least := rapid.IntRange(1, 4).Draw(t, "least")
		// Few different values make ties, which are the hard case.
		x := rapid.SliceOfN(rapid.OneOf(rapid.Map(rapid.IntRange(0, 4), func(i int) float64 { return float64(i) }), rapid.Float64Range(-5, 5)), least, 24).Draw(t, "x")
		penalty, floor := rapid.Float64Range(0, 30).Draw(t, "penalty"), rapid.Float64Range(0.05, 2).Draw(t, "floor")
		byPenalty, err := stats.Segment(x, penalty, least)
		if err != nil {
			t.Fatal(err)
		}
		byBIC, err := stats.SegmentByBIC(x, least, floor)
		if err != nil {
			t.Fatal(err)
		}
		wantPenalty, wantBIC := math.Inf(1), math.Inf(1)
		for m, rss := range exhaustive(x, least) {
			wantPenalty = min(wantPenalty, rss+penalty*float64(m))
			wantBIC = min(wantBIC, stats.Segmentation{Changes: make([]int, m), RSS: rss}.BIC(len(x), floor))
		}
		agree(t, "cost", byPenalty.RSS+penalty*float64(len(byPenalty.Changes)), wantPenalty, 1e-9)
		agree(t, "BIC", byBIC.BIC(len(x), floor), wantBIC, 1e-6)
		for _, s := range []stats.Segmentation{byPenalty, byBIC} {
			last := 0
			for _, c := range append(s.Changes, len(x)) {
				if c-last < least {
					t.Fatalf("a piece of %d values, at least %d were asked for: %v", c-last, least, s.Changes)
				}
				last = c
			}
		}
	})
}

func BenchmarkSegmentByBIC(b *testing.B) {
	x := make([]float64, 600) // a minute at 10 readings a second
	for i := range x {
		x[i] = []float64{40, 210, 480, 300}[i/150] + 7*math.Sin(float64(i*i))
	}
	for b.Loop() {
		if _, err := stats.SegmentByBIC(x, 3, 2); err != nil {
			b.Fatal(err)
		}
	}
}

func ExampleSegmentByBIC() {
	milliamps := []float64{40, 42, 41, 40, 210, 208, 211, 209, 209, 480, 478, 481, 482, 480}
	cut, err := stats.SegmentByBIC(milliamps, 2, 1)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("new levels from values", cut.Changes)
	// Output: new levels from values [4 9]
}
