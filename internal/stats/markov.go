package stats

import (
	"errors"
	"fmt"
	"math"
)

// ErrChain is what NewChain and NewFilter wrap when what they are given is no
// Markov chain or no distribution over its states.
var ErrChain = errors.New("no Markov chain")

// rowSlack is how far the probabilities that leave a state may be from 1 in
// sum: what decimal fractions and their rounding leave. They are then scaled
// to 1, so that millions of steps without evidence lose nothing.
const rowSlack = 1e-9

// negligible probabilities are taken as zero. It is far below what any
// evidence could revive, and keeps the arithmetic out of the denormal numbers,
// where it is a hundred times slower.
const negligible = 1e-280

// Transition is one possible step of a Markov chain: from state From to state
// To, which may be the same, with probability P in one step.
type Transition struct {
	From, To int
	P        float64
}

// Chain holds the transitions of a Markov chain in compact form, sorted by
// where they lead. It does not change, so any number of filters share one.
type Chain struct {
	states int
	first  []int32 // arcs into state i are arcs[first[i]:first[i+1]]
	arcs   []arc
}

type arc struct {
	from int32
	p    float64
}

// NewChain makes a chain of the given number of states. What leaves each state
// must add up to 1; transitions that are not named have probability 0, and one
// named twice has the sum.
func NewChain(states int, transitions []Transition) (*Chain, error) {
	if states < 1 || states > math.MaxInt32 {
		return nil, fmt.Errorf("%w: of %d states", ErrChain, states)
	}
	leaving := make([]float64, states)
	c := &Chain{states: states, first: make([]int32, states+1), arcs: make([]arc, len(transitions))}
	for _, t := range transitions {
		if t.From < 0 || t.From >= states || t.To < 0 || t.To >= states || !(t.P >= 0 && t.P <= 1) {
			return nil, fmt.Errorf("%w: of %d states, with a transition %d → %d of probability %v", ErrChain, states, t.From, t.To, t.P)
		}
		leaving[t.From] += t.P
		c.first[t.To+1]++
	}
	for i, sum := range leaving {
		if math.Abs(sum-1) > rowSlack {
			return nil, fmt.Errorf("%w: the probabilities of leaving state %d for one or itself add up to %v, not 1", ErrChain, i, sum)
		}
		c.first[i+1] += c.first[i]
	}
	next := append([]int32(nil), c.first[:states]...)
	for _, t := range transitions {
		c.arcs[next[t.To]] = arc{from: int32(t.From), p: t.P / leaving[t.From]} //nolint:gosec // below states, which fits
		next[t.To]++
	}
	return c, nil
}

// States counts the states of the chain.
func (c *Chain) States() int { return c.states }

// Filter is the forward filter of a hidden Markov model: what is believed of
// the state now, given all evidence until now. With belief b, transitions T and
// the likelihood L(j) of the newest evidence if the state is j,
//
//	Predict: b'(j) = Σᵢ b(i)·T(i, j)
//	Update:  b'(j) = b(j)·L(j) / Σₖ b(k)·L(k)
//
// (Rabiner, "A tutorial on hidden Markov models", Proc. IEEE 77 (1989), the
// scaled forward recursion; Russell & Norvig, Artificial Intelligence, ch. 15.)
// A step of time is one Predict; every piece of evidence is one Update, and
// independent pieces may follow each other. A step without evidence is Predict
// alone. Neither allocates. A filter is not safe for concurrent use.
type Filter struct {
	chain  *Chain
	belief []float64
	spare  []float64
	logLik float64
}

// NewFilter begins with the prior, which need not add up to 1 and is copied.
func NewFilter(c *Chain, prior []float64) (*Filter, error) {
	f := &Filter{chain: c, belief: make([]float64, c.states), spare: make([]float64, c.states)}
	if err := f.Restart(prior); err != nil {
		return nil, err
	}
	return f, nil
}

// Restart replaces the belief, as when a saved one is taken up again, and
// begins the log-likelihood at 0. What cannot be a belief changes nothing.
func (f *Filter) Restart(belief []float64) error {
	if len(belief) != f.chain.states {
		return fmt.Errorf("%w: a belief about %d states, the chain has %d", ErrChain, len(belief), f.chain.states)
	}
	var sum float64
	for i, p := range belief {
		if !(p >= 0) {
			return fmt.Errorf("%w: the belief in state %d is %v", ErrChain, i, p)
		}
		sum += p
	}
	if !(sum > 0) || math.IsInf(sum, 1) {
		return fmt.Errorf("%w: the beliefs add up to %v", ErrChain, sum)
	}
	if math.Abs(sum-1) <= rowSlack {
		sum = 1 // a saved belief goes on to the last bit as it was
	}
	for i, p := range belief {
		f.belief[i] = p / sum
	}
	f.logLik = 0
	return nil
}

// Predict lets one step of time pass.
func (f *Filter) Predict() {
	c, from := f.chain, f.belief
	to := f.spare[:c.states]
	at := c.first[0]
	for i := range to {
		end := c.first[i+1]
		var sum float64
		for _, a := range c.arcs[at:end] {
			sum += from[a.from] * a.p
		}
		if sum < negligible {
			sum = 0
		}
		to[i], at = sum, end
	}
	f.belief, f.spare = to, from
}

// Update takes a piece of evidence: likelihoods[i] is how likely it is if the
// state is i, up to a factor that all share (in what unit does not matter, so
// densities do; the log-likelihood then has that factor in it). It returns
// false, and believes what it did before, when no state that is believed
// possible explains the evidence, or when a likelihood is negative or no
// number: whoever models keeps a floor under each likelihood, or lets the
// caller know. It panics on a wrong number of likelihoods.
func (f *Filter) Update(likelihoods []float64) bool {
	if len(likelihoods) != len(f.belief) {
		panic(fmt.Sprintf("stats: %d likelihoods for %d states", len(likelihoods), len(f.belief)))
	}
	to := f.spare[:len(likelihoods)]
	var sum float64
	for i, l := range likelihoods {
		if !(l >= 0) {
			return false
		}
		p := f.belief[i] * l
		to[i] = p
		sum += p
	}
	if sum < negligible || !(sum <= math.MaxFloat64) {
		return false
	}
	scale := 1 / sum
	for i := range to {
		to[i] *= scale
	}
	f.belief, f.spare = to, f.belief
	f.logLik += math.Log(sum)
	return true
}

// Posterior is the belief now: one probability for each state, 1 in sum. It is
// the filter's own memory and holds until the next step.
func (f *Filter) Posterior() []float64 { return f.belief }

// LogLikelihood is the natural logarithm of how likely all evidence was that
// Update took since the filter began, each piece given those before it.
func (f *Filter) LogLikelihood() float64 { return f.logLik }
