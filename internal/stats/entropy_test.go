package stats_test

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"benchvigil/internal/stats"
)

// gainOf is the gain of a column of the table about the last one, over the rows
// that a filter lets through.
func gainOf(rows [][]string, column int, keep func([]string) bool) float64 {
	prior, counts := map[string]float64{}, map[string]map[string]float64{}
	values := map[string]bool{}
	for _, r := range rows {
		if !keep(r) {
			continue
		}
		class, value := r[len(r)-1], r[column]
		if counts[class] == nil {
			counts[class] = map[string]float64{}
		}
		prior[class]++
		counts[class][value]++
		values[value] = true
	}
	var p []float64
	var outcomes [][]float64
	for _, class := range slices.Sorted(maps.Keys(prior)) {
		p = append(p, prior[class])
		var row []float64
		for _, v := range slices.Sorted(maps.Keys(values)) {
			row = append(row, counts[class][v])
		}
		outcomes = append(outcomes, row)
	}
	return stats.InformationGain(p, outcomes)
}

// Play tennis: Quinlan, "Induction of Decision Trees", Machine Learning 1
// (1986); Mitchell, Machine Learning (1997), table 3.2. They print .940, .246,
// .029, .151, .048; .246 and .151 come of rounding the parts before the
// subtraction. Exact digits computed with R 4.2.2.
func TestGainPlayTennis(t *testing.T) {
	rows := rowsOf(t, "play_tennis.csv")
	agree(t, "entropy", stats.Entropy([]float64{9, 5}), .9402859587, 1e-10)
	all := func([]string) bool { return true }
	sunny := func(r []string) bool { return r[1] == "Sunny" }
	rain := func(r []string) bool { return r[1] == "Rain" }
	for _, c := range []struct {
		name   string
		column int
		keep   func([]string) bool
		want   float64
	}{
		{"outlook", 1, all, .2467498198},
		{"temperature", 2, all, .0292225657},
		{"humidity", 3, all, .1518355014},
		{"wind", 4, all, .0481270304},
		{"sunny, temperature", 2, sunny, .5709505945},
		{"sunny, humidity", 3, sunny, .9709505945},
		{"sunny, wind", 4, sunny, .0199730940},
		{"rain, temperature", 2, rain, .0199730940},
		{"rain, humidity", 3, rain, .0199730940},
		{"rain, wind", 4, rain, .9709505945},
	} {
		agree(t, c.name, gainOf(rows, c.column, c.keep), c.want, 1e-10)
	}
	for _, c := range []struct{ a, b, want float64 }{{3, 4, .985228136}, {6, 1, .5916727786}, {6, 2, .8112781245}} {
		agree(t, fmt.Sprint(c.a, c.b), stats.Entropy([]float64{c.a, c.b}), c.want, 1e-9)
	}
}

// weigh is the gain of weighing the first n of twelve balls against the next n,
// when one of them is heavier or lighter.
func weigh(n int) float64 {
	var prior []float64
	var outcomes [][]float64
	for ball := range 12 {
		for _, heavy := range []bool{true, false} {
			row := make([]float64, 3) // left down, right down, level
			switch {
			case ball >= 2*n:
				row[2] = 1
			case (ball < n) == heavy:
				row[0] = 1
			default:
				row[1] = 1
			}
			prior, outcomes = append(prior, 1), append(outcomes, row)
		}
	}
	return stats.InformationGain(prior, outcomes)
}

// One of twelve balls is odd, and a submarine hides in one of 64 squares:
// MacKay, Information Theory, Inference, and Learning Algorithms (2003), ch. 4
// (.0227, .0444 and so on in figure 4.3, from memory); digits computed with R.
func TestGainMacKay(t *testing.T) {
	for n, want := range map[int]float64{1: .8166890883, 2: 1.251629167, 3: 1.5, 4: 1.584962501, 5: 1.483355755, 6: 1} {
		agree(t, fmt.Sprintf("weighing %d", n), weigh(n), want, 1e-9)
	}
	agree(t, "second weighing, 3/3/2", stats.Entropy([]float64{3, 3, 2}), 1.561278124, 1e-9)
	for left, want := range map[int]float64{64: .1161150753, 32: .2006223243, 2: 1} {
		agree(t, fmt.Sprintf("a shot at %d squares", left), stats.InformationGain(
			[]float64{1, float64(left - 1)}, [][]float64{{1, 0}, {0, 1}}), want, 1e-9)
	}
}

// Tests that err: computed with R 4.2.2; the channel's capacity of .39 bit at
// f = .15 is in MacKay (2003), ch. 9, from memory.
func TestGainNoisy(t *testing.T) {
	for _, c := range []struct{ prior, sensitivity, specificity, want float64 }{
		{.5, .9, .9, .5310044064},
		{.3, .9, .8, .3304521243},
		{.01, .95, .95, .0370654788},
		{.5, .85, .85, .3901596953},
	} {
		got := stats.InformationGain([]float64{c.prior, 1 - c.prior},
			[][]float64{{c.sensitivity, 1 - c.sensitivity}, {1 - c.specificity, c.specificity}})
		agree(t, fmt.Sprintf("%+v", c), got, c.want, 1e-10)
	}
}

func TestEntropyRefuses(t *testing.T) {
	for _, bad := range [][]float64{nil, {0, 0}, {1, -1}, {math.NaN()}, {math.Inf(1)}} {
		if got := stats.Entropy(bad); !math.IsNaN(got) {
			t.Errorf("entropy of %v: %v", bad, got)
		}
	}
	for name, got := range map[string]float64{
		"nothing":          stats.InformationGain(nil, nil),
		"sizes":            stats.InformationGain([]float64{1, 1}, [][]float64{{1}}),
		"ragged":           stats.InformationGain([]float64{1, 1}, [][]float64{{1, 1}, {1}}),
		"no prior":         stats.InformationGain([]float64{0, 0}, [][]float64{{1, 1}, {1, 1}}),
		"no outcome":       stats.InformationGain([]float64{1, 1}, [][]float64{{0, 0}, {1, 1}}),
		"a negative prior": stats.InformationGain([]float64{2, -1}, [][]float64{{1, 0}, {1, 1}}),
	} {
		if !math.IsNaN(got) {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// A trial tells no more than is unknown, and no more than its outcome holds;
// one whose outcome does not depend on the answer tells nothing.
func TestGainProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, m := rapid.IntRange(1, 6).Draw(t, "hypotheses"), rapid.IntRange(1, 5).Draw(t, "outcomes")
		weights := rapid.Float64Range(0.001, 1)
		prior := rapid.SliceOfN(weights, n, n).Draw(t, "prior")
		outcomes := make([][]float64, n)
		same := make([][]float64, n)
		for h := range outcomes {
			outcomes[h] = rapid.SliceOfN(weights, m, m).Draw(t, "row")
			same[h] = outcomes[0]
		}
		got := stats.InformationGain(prior, outcomes)
		if most := min(stats.Entropy(prior), math.Log2(float64(m))) + 1e-9; !(got >= 0 && got <= most) {
			t.Fatalf("%v bits, at most %v", got, most)
		}
		agree(t, "the same for all", stats.InformationGain(prior, same), 0, 1e-12)
	})
}

func ExampleInformationGain() {
	// Which of three rails is shorted, the first most likely? Warming it finds
	// the first for certain; the other trial tells the second from the third.
	prior := []float64{.6, .2, .2}
	fmt.Printf("%.2f bit\n", stats.InformationGain(prior, [][]float64{{1, 0}, {0, 1}, {0, 1}}))
	fmt.Printf("%.2f bit\n", stats.InformationGain(prior, [][]float64{{.5, .5}, {1, 0}, {0, 1}}))
	// Output:
	// 0.97 bit
	// 0.40 bit
}
