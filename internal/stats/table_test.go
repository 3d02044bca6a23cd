package stats_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"benchvigil/internal/stats"
)

// row is one line of a table in testdata, by column.
type row map[string]string

// number reads a column; NA is not a number.
func (r row) number(t testing.TB, column string) float64 {
	t.Helper()
	if r[column] == "NA" {
		return math.NaN()
	}
	v, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("column %q: %v", column, err)
	}
	return v
}

func table(t testing.TB, name string) (out []row) {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close() //nolint:errcheck // opened for reading only
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil || len(lines) < 2 {
		t.Fatalf("%s: %v, %d lines", name, err, len(lines))
	}
	for _, l := range lines[1:] {
		r := row{}
		for i, column := range lines[0] {
			r[column] = l[i]
		}
		out = append(out, r)
	}
	return out
}

// spans are the lines of a table that have the wanted value in a column, all of
// them without one.
func spans(t testing.TB, name, length, column, want string) (out []stats.Span) {
	t.Helper()
	for _, r := range table(t, name) {
		if column == "" || r[column] == want {
			out = append(out, stats.Span{Length: r.number(t, length), Ended: r["event"] == "1"})
		}
	}
	return out
}

// near fails unless got is within tolerance of want; two that are no numbers, or
// the same infinity, are near.
func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if math.IsNaN(want) && math.IsNaN(got) || got == want {
		return
	}
	if math.IsNaN(got) || math.Abs(got-want) > tolerance {
		t.Errorf("%s: got %.10g, want %.10g within %g", what, got, want, tolerance)
	}
}

func nearInterval(t testing.TB, what string, got stats.Interval, low, high, tolerance float64) {
	t.Helper()
	near(t, what+", low", got.Low, low, tolerance)
	near(t, what+", high", got.High, high, tolerance)
}

// newRandom gives numbers in [0, 1) by a multiplicative congruential generator
// (Park and Miller 1988), the same on every system.
func newRandom(seed uint64) func() float64 {
	const m = 1<<31 - 1
	s := seed
	return func() float64 {
		s = s * 48271 % m
		return float64(s) / m
	}
}
