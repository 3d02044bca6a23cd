package infer

import (
	"math"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
	"benchvigil/internal/stats"
	"benchvigil/internal/unit"
)

// model is what the filter knows of a device family: its modes as the states
// of a Markov chain with ten steps a second. starting is unfolded into stages,
// so that its length is Erlang and not geometric (Cox, "A use of complex
// probabilities in the theory of stochastic processes", 1955).
//
// Absences from the bus are not unfolded: the exact meanings give them limits,
// and a mode is held through its gap.
type model struct {
	modes []*profile.Spec // the profile's, and one for unknown at the end
	first []int           // modes[i] is the states first[i] up to first[i+1]
	chain *stats.Chain
	bands []density
}

const (
	startingStages = 4
	stepsPerSecond = 10
)

// typical is the mean stay where a profile names none, in seconds. Only the
// orders of magnitude matter: common practice.
var typical = map[bench.Mode]float64{
	bench.Off: 300, bench.Standby: 60, bench.Starting: 20, bench.Loader: 300, bench.Recovery: 300,
	bench.Restoring: 900, bench.RePairing: 1800, bench.Running: 1800, bench.Asleep: 120, bench.Unknown: 60,
}

// follows says what usually comes after a mode, as weights: common practice.
// What is not named has the weight rare; what a profile names in next, often.
var follows = map[bench.Mode]map[bench.Mode]float64{
	bench.Off:       {bench.Standby: 3, bench.Starting: 6},
	bench.Standby:   {bench.Off: 2, bench.Starting: 8},
	bench.Starting:  {bench.Running: 8, bench.Recovery: 1, bench.Loader: 1, bench.Restoring: 1, bench.RePairing: 0.5},
	bench.Loader:    {bench.Recovery: 3, bench.Restoring: 4, bench.Starting: 2},
	bench.Recovery:  {bench.Restoring: 6, bench.Starting: 2, bench.Running: 1},
	bench.Restoring: {bench.Running: 5, bench.Starting: 2, bench.RePairing: 2, bench.Recovery: 1},
	bench.RePairing: {bench.Running: 6, bench.Starting: 2, bench.Asleep: 1},
	bench.Running:   {bench.Asleep: 8, bench.RePairing: 0.5, bench.Starting: 0.5, bench.Recovery: 0.2, bench.Restoring: 0.2},
	bench.Asleep:    {bench.Running: 9, bench.RePairing: 0.2},
	bench.Unknown:   {bench.Running: 5, bench.RePairing: 2, bench.Asleep: 1, bench.Restoring: 1},
}

const (
	rare  = 0.02
	often = 10
)

var unknown = profile.Spec{Mode: bench.Unknown}

func newModel(p *profile.Profile, h bench.Hookup) *model {
	m := &model{}
	for i := range p.Modes {
		m.modes = append(m.modes, &p.Modes[i])
	}
	m.modes = append(m.modes, &unknown)
	n := 0
	for _, s := range m.modes {
		m.first = append(m.first, n)
		n += stages(s.Mode)
		m.bands = append(m.bands, bandDensity(s, h))
	}
	m.first = append(m.first, n)
	chain, err := stats.NewChain(n, m.transitions())
	if err != nil {
		panic(err) // the rows are made to add up
	}
	m.chain = chain
	return m
}

func stages(m bench.Mode) int {
	if m == bench.Starting {
		return startingStages
	}
	return 1
}

// transitions are those of one step.
func (m *model) transitions() (list []stats.Transition) {
	for i, s := range m.modes {
		last := m.first[i+1] - 1
		leave := float64(stages(s.Mode)) / (m.stay(s) * stepsPerSecond)
		for c := m.first[i]; c <= last; c++ {
			list = append(list, stats.Transition{From: c, To: c, P: 1 - leave})
		}
		for c := m.first[i]; c < last; c++ {
			list = append(list, stats.Transition{From: c, To: c + 1, P: leave})
		}
		weights, sum := m.after(i)
		for j, w := range weights {
			if w > 0 {
				list = append(list, stats.Transition{From: last, To: m.first[j], P: leave * w / sum})
			}
		}
	}
	return list
}

// stay is the mean length of a stay in a mode, in seconds. A profile's typical
// length is a median; for an exponential stay the mean is 1/ln 2 of it.
func (m *model) stay(s *profile.Spec) float64 {
	switch {
	case s.Typical == 0:
		return typical[s.Mode]
	case s.Mode == bench.Starting:
		return max(s.Typical.Seconds(), 1)
	}
	return max(s.Typical.Seconds()/math.Ln2, 1)
}

// after is how likely each mode follows the i-th, as weights, and their sum.
func (m *model) after(i int) (weights []float64, sum float64) {
	from := m.modes[i]
	for j, to := range m.modes {
		w := max(follows[from.Mode][to.Mode], rare)
		for _, next := range from.Next {
			if next.Mode == to.Mode {
				w = often
			}
		}
		if i == j {
			w = 0
		}
		weights = append(weights, w)
		sum += w
	}
	return weights, sum
}

// index finds a mode; a mode that the family does not have is unknown.
func (m *model) index(mode bench.Mode) int {
	for i, s := range m.modes {
		if s.Mode == mode {
			return i
		}
	}
	return len(m.modes) - 1
}

// density is how well a current fits a mode. All of its band fits alike, since a
// board's own level may lie anywhere in it and stays there: a reading that fits
// a narrow band is no news every time. Beside the band it falls with the heavy
// tail of Student's t with two degrees of freedom, (1 + z²/2)^(-3/2), so that no
// single reading is impossible anywhere.
// What is no mode of the family fits every current, and none well.
type density struct {
	none              bool
	low, high         float64 // µA
	lowTail, highTail float64 // how fast it falls beside the band, µA
}

const (
	tailShare = 0.12             // of the band's edge
	tailLeast = unit.Milliampere // the offset and resolution of a poor supply
	noneFits  = -1.5             // how well a current fits what has no band
	slack     = 1.0              // tails beside the band that still fit: one reading in ten lies beside it
)

func bandDensity(s *profile.Spec, h bench.Hookup) density {
	b, ok := s.Band(h)
	if !ok {
		return density{none: true}
	}
	d := density{low: float64(b.Low), high: float64(b.High)}
	d.lowTail = max(tailShare*d.low, float64(tailLeast))
	d.highTail = max(tailShare*d.high, float64(tailLeast))
	return d
}

// log is the logarithm of how well c fits, 0 at best.
func (d *density) log(c unit.Current) float64 {
	if d.none {
		return noneFits
	}
	x := float64(c)
	var z float64
	switch {
	case x < d.low:
		z = (d.low - x) / d.lowTail
	case x > d.high:
		z = (x - d.high) / d.highTail
	}
	z = max(z-slack, 0)
	return -1.5 * math.Log1p(z*z/2)
}
