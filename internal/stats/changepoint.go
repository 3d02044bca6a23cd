package stats

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// ErrSeries is what is wrapped when a series cannot be cut or aligned.
var ErrSeries = errors.New("series not usable")

// Segmentation is a series cut where its level changes.
type Segmentation struct {
	Changes []int   // index of the first value of each piece but the first, ascending
	RSS     float64 // sum of squares of the values about the mean of their piece
}

// BIC is Schwarz's criterion of the cut for n values of one common variance,
// with the mean and the place of each piece as parameters: for m changes
//
//	n·ln(RSS/n + floor²) + n·(1 + ln 2π) + 2·(m + 1)·ln n
//
// (as package strucchange for R has it: Zeileis et al., J. Stat. Softw. 7(2),
// 2002). The floor, in the unit of the values, is a deviation that they have in
// any case: 0 for the criterion as published, the resolution of the instrument
// where values may all be equal. Smaller is better.
func (s Segmentation) BIC(n int, floor float64) float64 {
	size := float64(n)
	return size*math.Log(s.RSS/size+floor*floor) + size*(1+math.Log(2*math.Pi)) + 2*float64(len(s.Changes)+1)*math.Log(size)
}

// Segment cuts the series so that RSS + penalty·changes is least, where each
// piece has at least the given number of values. The penalty is in the squared
// unit of the values: a change must spare more squares than that. It is optimal
// partitioning with the pruning of PELT (Killick, Fearnhead & Eckley, J. Am.
// Stat. Assoc. 107 (2012), 1590–1598), exact, and usually takes time in
// proportion to the length; never more than to its square.
func Segment(x []float64, penalty float64, least int) (Segmentation, error) {
	s, err := newSquares(x, least)
	if err != nil {
		return Segmentation{}, err
	}
	if !(penalty >= 0) || math.IsInf(penalty, 1) {
		return Segmentation{}, fmt.Errorf("%w: a penalty of %v", ErrSeries, penalty)
	}
	return s.segment(penalty), nil
}

// SegmentByBIC cuts the series where BIC with that floor is least. BIC is
// concave in RSS and the number of changes, so its least value is at a cut that
// some penalty gives, and a penalty of at least 2·floor²·ln n; these cuts are
// found as in CROPS (Haynes, Eckley & Fearnhead, J. Comput. Graph. Stat. 26
// (2017), 134–143).
func SegmentByBIC(x []float64, least int, floor float64) (Segmentation, error) {
	s, err := newSquares(x, least)
	if err != nil {
		return Segmentation{}, err
	}
	if !(floor >= 0) || math.IsInf(floor, 1) {
		return Segmentation{}, fmt.Errorf("%w: a floor of %v", ErrSeries, floor)
	}
	n := len(x)
	whole := Segmentation{RSS: s.of(0, n)}
	finest := s.segment(2 * floor * floor * math.Log(float64(n)))
	b := best{squares: s, floor: floor}
	b.take(whole)
	b.take(finest)
	b.between(whole, finest)
	return b.cut, nil
}

// best is the cut of least BIC so far.
type best struct {
	*squares
	floor float64
	cut   Segmentation
	bic   float64
	met   bool
}

func (b *best) take(c Segmentation) {
	if bic := c.BIC(len(b.sum)-1, b.floor); !b.met || bic < b.bic {
		b.cut, b.bic, b.met = c, bic, true
	}
}

// squares gives the sum of squares about the mean of any stretch of a series.
type squares struct {
	sum, sq []float64 // of the first i values about the mean of all
	least   int
}

func newSquares(x []float64, least int) (*squares, error) {
	if least < 1 || len(x) < least {
		return nil, fmt.Errorf("%w: %d values, pieces of at least %d", ErrSeries, len(x), least)
	}
	var mean float64
	for _, v := range x {
		mean += v / float64(len(x))
	}
	if math.IsNaN(mean) || math.IsInf(mean, 0) {
		return nil, fmt.Errorf("%w: a value is not finite", ErrSeries)
	}
	s := &squares{sum: make([]float64, len(x)+1), sq: make([]float64, len(x)+1), least: least}
	for i, v := range x {
		v -= mean
		s.sum[i+1], s.sq[i+1] = s.sum[i]+v, s.sq[i]+v*v
	}
	return s, nil
}

// of is the sum of squares of the values from, … to-1 about their mean.
func (s *squares) of(from, to int) float64 {
	d := s.sum[to] - s.sum[from]
	return max(0, s.sq[to]-s.sq[from]-d*d/float64(to-from))
}

// segment is optimal partitioning: cost[t] is the least cost of the first t
// values, last[t] where the last piece of that cut begins. A beginning that
// costs more at t than a cut at t never wins again once a piece from t on is
// long enough.
func (s *squares) segment(penalty float64) Segmentation {
	n := len(s.sum) - 1
	cost, last := make([]float64, n+1), make([]int, n+1)
	cost[0] = -penalty
	var begins []int
	for end := s.least; end <= n; end++ {
		t := end - s.least
		if t == 0 || t >= s.least {
			begins = slices.DeleteFunc(begins, func(b int) bool { return cost[b]+s.of(b, t) > cost[t] })
			begins = append(begins, t)
		}
		cost[end] = math.Inf(1)
		for _, b := range begins {
			if c := cost[b] + s.of(b, end) + penalty; c < cost[end] {
				cost[end], last[end] = c, b
			}
		}
	}
	return s.cut(last)
}

// cut follows the last pieces from the end back to the beginning.
func (s *squares) cut(last []int) Segmentation {
	var out Segmentation
	for end := len(last) - 1; end > 0; end = last[end] {
		out.RSS += s.of(last[end], end)
		if last[end] > 0 {
			out.Changes = append(out.Changes, last[end])
		}
	}
	slices.Reverse(out.Changes)
	return out
}

// between takes the cuts that are best for some penalty between those of which
// the coarse and the fine one are: at the penalty where these two cost the
// same, either they are best, or another is better, and so on. None of them has
// fewer changes than one more than the coarse, nor a smaller RSS than the fine,
// so there is often nothing to gain.
func (b *best) between(coarse, fine Segmentation) {
	more := len(fine.Changes) - len(coarse.Changes)
	if more < 2 {
		return
	}
	ideal := Segmentation{Changes: fine.Changes[:len(coarse.Changes)+1], RSS: fine.RSS}
	if ideal.BIC(len(b.sum)-1, b.floor) >= b.bic {
		return
	}
	c := b.segment((coarse.RSS - fine.RSS) / float64(more))
	if len(c.Changes) <= len(coarse.Changes) || len(c.Changes) >= len(fine.Changes) {
		return
	}
	b.take(c)
	b.between(coarse, c)
	b.between(c, fine)
}
