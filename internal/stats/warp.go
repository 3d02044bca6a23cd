package stats

import (
	"fmt"
	"math"
	"slices"
)

// Pair says that value A of one series stands beside value B of another.
type Pair struct{ A, B int }

// Alignment is how two series stand beside each other when time may stretch.
type Alignment struct {
	Cost float64 // sum of the costs along the path, a diagonal step counted twice
	Path []Pair  // from the first values of both to the last
}

// Distance is the cost of an average step, (Cost / (n + m)), in the unit of the
// costs: it compares pairs of series of different length.
func (a Alignment) Distance() float64 {
	if len(a.Path) == 0 {
		return math.NaN()
	}
	end := a.Path[len(a.Path)-1]
	return a.Cost / float64(end.A+end.B+2)
}

// Steps of the path, in the order in which equal ones are preferred.
const (
	stepBoth = iota // to the next of both, twice the cost
	stepB           // to the next of the second only
	stepA           // to the next of the first only
)

// Warp aligns a series of n values with one of m so that the sum of
// cost(i, j) ≥ 0 along the path is least. The path keeps the order of both and
// leaves out nothing (Sakoe & Chiba, IEEE Trans. ASSP 26 (1978), 43–49, their
// symmetric form without slope constraint, "symmetric2": a diagonal step counts
// twice, so that every path has the same weight n + m). Values further apart
// than the band are not put beside each other; it must be at least |n − m|, or
// there is no path. It takes memory in proportion to n·m, and time to what of that
// lies in the band.
func Warp(n, m, band int, cost func(i, j int) float64) (Alignment, error) {
	if n < 1 || m < 1 {
		return Alignment{}, fmt.Errorf("%w: %d values beside %d", ErrSeries, n, m)
	}
	if n-m > band || m-n > band {
		return Alignment{}, fmt.Errorf("%w: %d values beside %d, at most %d apart", ErrSeries, n, m, band)
	}
	steps := make([]uint8, n*m)
	above, row := make([]float64, m), make([]float64, m)
	for j := range row {
		above[j], row[j] = math.Inf(1), math.Inf(1)
	}
	for i := range n {
		above, row = row, above
		first, last := max(0, i-band), min(m-1, i+band)
		if first > 0 {
			row[first-1] = math.Inf(1) // what a row before left there
		}
		for j := first; j <= last; j++ {
			c := cost(i, j)
			if !(c >= 0) {
				return Alignment{}, fmt.Errorf("%w: value %d beside %d costs %v", ErrSeries, i, j, c)
			}
			row[j], steps[i*m+j] = cheapest(above, row, i, j, c)
		}
	}
	return Alignment{Cost: row[m-1], Path: walk(steps, n, m)}, nil
}

// cheapest is the least cost of a path to (i, j) and its last step.
func cheapest(above, row []float64, i, j int, c float64) (float64, uint8) {
	if i == 0 && j == 0 {
		return c, stepBoth
	}
	best, step := math.Inf(1), uint8(stepBoth)
	if i > 0 && j > 0 {
		best = above[j-1] + 2*c
	}
	if j > 0 && row[j-1]+c < best {
		best, step = row[j-1]+c, stepB
	}
	if i > 0 && above[j]+c < best {
		best, step = above[j]+c, stepA
	}
	return best, step
}

// walk follows the steps from the end back to the beginning.
func walk(steps []uint8, n, m int) []Pair {
	var path []Pair
	i, j := n-1, m-1
	for {
		path = append(path, Pair{i, j})
		if i == 0 && j == 0 {
			break
		}
		step := steps[i*m+j]
		if step != stepB {
			i--
		}
		if step != stepA {
			j--
		}
	}
	slices.Reverse(path)
	return path
}
