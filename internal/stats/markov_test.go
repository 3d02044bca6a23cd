package stats_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"benchvigil/internal/stats"
)

// dense makes a chain of a full matrix.
func dense(t testing.TB, rows [][]float64) *stats.Chain {
	t.Helper()
	var ts []stats.Transition
	for i, row := range rows {
		for j, p := range row {
			if p > 0 {
				ts = append(ts, stats.Transition{From: i, To: j, P: p})
			}
		}
	}
	c, err := stats.NewChain(len(rows), ts)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func filter(t testing.TB, c *stats.Chain, prior ...float64) *stats.Filter {
	t.Helper()
	f, err := stats.NewFilter(c, prior)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// agree holds a value against what it should be.
func agree(t interface {
	Helper()
	Errorf(string, ...any)
}, what string, got, want, slack float64,
) {
	t.Helper()
	if !(math.Abs(got-want) <= slack) {
		t.Errorf("%s: got %.12g, want %.12g ± %g", what, got, want, slack)
	}
}

// Umbrella world: Russell & Norvig, Artificial Intelligence: A Modern
// Approach, ch. 15 (3rd edition), prior for day 0. The slides of the authors
// print .500, .818, .627, .883; the five days with their log-likelihood
// −3.3725 are the worked example of the encyclopaedia article "Forward–backward
// algorithm". Digits beyond the printed ones were computed with R 4.2.2.
func TestFilterUmbrella(t *testing.T) {
	yes, no := []float64{.9, .2}, []float64{.1, .8}
	f := filter(t, dense(t, [][]float64{{.7, .3}, {.3, .7}}), .5, .5)
	for _, day := range []struct {
		saw                 []float64
		predicted, filtered float64
	}{
		{yes, .5000000000, .8181818182},
		{yes, .6272727273, .8833570413},
		{no, .6533428165, .1906679397},
		{yes, .3762671759, .7307940046},
		{yes, .5923176018, .8673388896},
	} {
		f.Predict()
		agree(t, "predicted rain", f.Posterior()[0], day.predicted, 1e-10)
		if !f.Update(day.saw) {
			t.Fatal("evidence refused")
		}
		agree(t, "filtered rain", f.Posterior()[0], day.filtered, 1e-10)
	}
	agree(t, "log-likelihood", f.LogLikelihood(), -3.372502044, 1e-9)
	for range 200 {
		f.Predict()
		f.Update(yes)
	}
	agree(t, "umbrella for ever", f.Posterior()[0], .8967455494, 1e-10)
}

// The other published models. In them the prior is that of the first
// observation, so it begins with Update.
func TestFilterPublished(t *testing.T) {
	for _, c := range []struct {
		name     string
		rows     [][]float64
		prior    []float64
		evidence [][]float64
		state    int
		want     []float64
		total    float64
	}{
		{
			// Huang, Acero & Hon, Spoken Language Processing (2001), p. 385: bull,
			// bear, static after "up", "up": alpha (.1792, .0085, .0357).
			"market",
			[][]float64{{.6, .2, .2}, {.5, .3, .2}, {.4, .1, .5}},
			[]float64{.5, .2, .3},
			[][]float64{{.7, .1, .3}, {.7, .1, .3}},
			0,
			[]float64{.35 / .46, .8021486124},
			.2234,
		},
		{
			// Encyclopaedia article "Viterbi algorithm", healthy and fever: normal,
			// cold, dizzy. Filtered values computed with R 4.2.2.
			"fever",
			[][]float64{{.7, .3}, {.4, .6}},
			[]float64{.6, .4},
			[][]float64{{.5, .1}, {.4, .3}, {.1, .6}},
			0,
			[]float64{.8823529412, .7255216693, .2121278942},
			.03628,
		},
		{
			// Dishonest casino: Durbin et al., Biological Sequence Analysis (1998),
			// §3.2, its parameters from memory; rolls 6 6 6, computed with R 4.2.2.
			"casino",
			[][]float64{{.95, .05}, {.1, .9}},
			[]float64{.5, .5},
			[][]float64{{1. / 6, .5}, {1. / 6, .5}, {1. / 6, .5}},
			1,
			[]float64{.75, .8684210526, .9177732380},
			.05665509259,
		},
		{
			// The same, rolls 1 2 6 6 6.
			"casino, late",
			[][]float64{{.95, .05}, {.1, .9}},
			[]float64{.5, .5},
			[][]float64{{1. / 6, .1}, {1. / 6, .1}, {1. / 6, .5}, {1. / 6, .5}, {1. / 6, .5}},
			1,
			[]float64{.375, .2595307918, .5267338978, .7482889652, .8676465837},
			6.398224987e-4,
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := filter(t, dense(t, c.rows), c.prior...)
			for i, e := range c.evidence {
				if i > 0 {
					f.Predict()
				}
				if !f.Update(e) {
					t.Fatal("evidence refused")
				}
				agree(t, fmt.Sprintf("after %d", i+1), f.Posterior()[c.state], c.want[i], 1e-9)
			}
			agree(t, "P(all)", math.Exp(f.LogLikelihood())/c.total, 1, 1e-9)
		})
	}
}

func TestFilterImpossibleEvidence(t *testing.T) {
	f := filter(t, dense(t, [][]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}), 1, 3, 0)
	for _, bad := range [][]float64{{0, 0, 0}, {0, 0, 1}, {1, -1, 1}, {math.NaN(), 1, 1}, {math.Inf(1), 1, 1}} {
		if f.Update(bad) {
			t.Errorf("%v is taken for evidence", bad)
		}
		agree(t, "belief", f.Posterior()[1], .75, 0)
		agree(t, "log-likelihood", f.LogLikelihood(), 0, 0)
	}
	if !f.Update([]float64{3e-200, 1e-200, 1}) {
		t.Error("a small likelihood is refused")
	}
	agree(t, "belief after it", f.Posterior()[0], .5, 1e-12)
}

func TestChainRefuses(t *testing.T) {
	for name, ts := range map[string][]stats.Transition{
		"a state without an end": {{From: 0, To: 1, P: 1}},
		"a sum below one":        {{From: 0, To: 1, P: 1}, {From: 1, To: 0, P: .5}},
		"a negative probability": {{From: 0, To: 0, P: 1}, {From: 1, To: 0, P: -.5}, {From: 1, To: 1, P: 1.5}},
		"no number":              {{From: 0, To: 0, P: 1}, {From: 1, To: 0, P: math.NaN()}},
		"a state outside":        {{From: 0, To: 2, P: 1}, {From: 1, To: 0, P: 1}},
	} {
		if _, err := stats.NewChain(2, ts); !errors.Is(err, stats.ErrChain) {
			t.Errorf("%s: %v", name, err)
		}
	}
	c := dense(t, [][]float64{{1, 0}, {0, 1}})
	for _, prior := range [][]float64{{1}, {0, 0}, {-1, 2}, {math.NaN(), 1}, {math.Inf(1), 1}} {
		if _, err := stats.NewFilter(c, prior); !errors.Is(err, stats.ErrChain) {
			t.Errorf("prior %v: %v", prior, err)
		}
	}
}

// drawChain draws a sparse chain and its matrix.
func drawChain(t *rapid.T) (*stats.Chain, [][]float64) {
	n := rapid.IntRange(1, 12).Draw(t, "states")
	rows := make([][]float64, n)
	var ts []stats.Transition
	for i := range rows {
		rows[i] = make([]float64, n)
		to := rapid.SliceOfNDistinct(rapid.IntRange(0, n-1), 1, min(n, 4), rapid.ID[int]).Draw(t, "to")
		w := rapid.SliceOfN(rapid.Float64Range(1e-6, 1), len(to), len(to)).Draw(t, "weights")
		var sum float64
		for _, x := range w {
			sum += x
		}
		for k, j := range to {
			rows[i][j] = w[k] / sum
			ts = append(ts, stats.Transition{From: i, To: j, P: w[k] / sum})
		}
	}
	c, err := stats.NewChain(n, ts)
	if err != nil {
		t.Fatal(err)
	}
	return c, rows
}

// The posterior is a distribution after every step, Predict is the product with
// the matrix, and evidence that tells nothing changes nothing.
func TestFilterProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, rows := drawChain(t)
		n := c.States()
		prior := rapid.SliceOfN(rapid.Float64Range(0.01, 1), n, n).Draw(t, "prior")
		f, err := stats.NewFilter(c, prior)
		if err != nil {
			t.Fatal(err)
		}
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			before := append([]float64(nil), f.Posterior()...)
			f.Predict()
			for j, got := range f.Posterior() {
				var want float64
				for i := range rows {
					want += before[i] * rows[i][j]
				}
				agree(t, "predicted", got, want, 1e-12)
			}
			predicted := append([]float64(nil), f.Posterior()...)
			flat := make([]float64, n)
			for i := range flat {
				flat[i] = .125
			}
			if !f.Update(flat) {
				t.Fatal("evidence that tells nothing is refused")
			}
			for i, p := range f.Posterior() {
				agree(t, "told nothing", p, predicted[i], 1e-15)
			}
			f.Update(rapid.SliceOfN(rapid.Float64Range(0, 10), n, n).Draw(t, "likelihoods"))
			var sum float64
			for _, p := range f.Posterior() {
				if !(p >= 0) {
					t.Fatalf("a probability of %v", p)
				}
				sum += p
			}
			agree(t, "sum", sum, 1, 1e-12)
		}
	})
}

// Ten million steps of silence, a month of seconds at 4 Hz, lose nothing.
func TestFilterSilence(t *testing.T) {
	f := filter(t, dense(t, [][]float64{{.999999999, .000000001}, {.1, .9}}), 1, 0)
	for range 10_000_000 {
		f.Predict()
	}
	p := f.Posterior()
	agree(t, "sum", p[0]+p[1], 1, 1e-9)
	agree(t, "stationary", p[1], 1e-9/(.1+1e-9), 1e-12)
}

// sparse40 is of the size that inference uses: 40 states, 4 transitions each.
func sparse40(b *testing.B) *stats.Filter {
	var ts []stats.Transition
	for i := range 40 {
		for k, p := range []float64{.97, .01, .01, .01} {
			ts = append(ts, stats.Transition{From: i, To: (i + k*k*3) % 40, P: p})
		}
	}
	c, err := stats.NewChain(40, ts)
	if err != nil {
		b.Fatal(err)
	}
	prior := make([]float64, 40)
	prior[0] = 1
	return filter(b, c, prior...)
}

func BenchmarkFilterPredict(b *testing.B) {
	f := sparse40(b)
	b.ReportAllocs()
	for b.Loop() {
		f.Predict()
	}
}

func BenchmarkFilterUpdate(b *testing.B) {
	f := sparse40(b)
	l := make([]float64, 40)
	for i := range l {
		l[i] = 1 / float64(1+i)
	}
	b.ReportAllocs()
	for b.Loop() {
		f.Predict()
		f.Update(l)
	}
}

func ExampleFilter() {
	// Is the board asleep, or running with little to do? It changes its mind
	// once in a hundred seconds, and draws less than 50 mA in nine seconds of
	// ten when asleep, in two of ten when running.
	c, err := stats.NewChain(2, []stats.Transition{{0, 0, .99}, {0, 1, .01}, {1, 1, .99}, {1, 0, .01}})
	if err != nil {
		fmt.Println(err)
		return
	}
	f, err := stats.NewFilter(c, []float64{1, 1})
	if err != nil {
		fmt.Println(err)
		return
	}
	for range 3 {
		f.Predict()
		f.Update([]float64{.9, .2})
	}
	f.Predict() // a second without a reading
	fmt.Printf("asleep with probability %.2f\n", f.Posterior()[0])
	// Output: asleep with probability 0.98
}
