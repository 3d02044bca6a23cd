package study

import (
	"math"
	"math/rand/v2"
)

// load is what a board draws in one phase, in amperes.
type load struct {
	mean   float64
	rel    float64 // noise against the mean
	abs    float64 // noise beside it
	bursts float64 // height of activity peaks against the mean, 0 without
	tau    float64 // the level relaxes from `from` to mean with this time, seconds; 0 at once
	from   float64
	still  bool // the board does nothing: no peaks, whatever the weather
}

// shape is the sort of noise that a board makes.
type shape uint8

// The shapes, none of which is a filter's model of them all.
const (
	white      shape = iota // normal
	correlated              // AR(1)
	doubled                 // Laplace
	heavy                   // Student t with 3 degrees of freedom
	mixed                   // half correlated, a quarter heavy
	shapes
)

var shapeNames = [shapes]string{"normal", "correlated", "double exponential", "heavy-tailed", "correlated and heavy-tailed"}

// noise draws one board's noise.
type noise struct {
	rng   *rand.Rand
	shape shape
	ar    float64 // state of the correlated part
	phi   float64 // its correlation from one reading to the next
	peak  bool    // an activity peak is under way
	flip  float64 // chance that it changes at a reading
}

func newNoise(rng *rand.Rand, rate float64) noise {
	tau := 0.1 + 3*rng.Float64()   // correlation time, s
	hold := 0.05 + 1*rng.Float64() // length of peaks and of pauses, s
	return noise{
		rng: rng, shape: shape(rng.IntN(int(shapes))),
		phi: math.Exp(-1 / (rate * tau)), flip: 1 - math.Exp(-1/(rate*hold)),
	}
}

// unit draws from the shape, with a spread of about one.
func (n *noise) unit() float64 {
	switch n.shape {
	case correlated:
		return n.step()
	case doubled:
		x := n.rng.ExpFloat64() / math.Sqrt2
		if n.rng.Uint64()&1 == 0 {
			return -x
		}
		return x
	case heavy:
		return n.student()
	case mixed:
		return 0.7*n.step() + 0.5*n.student()
	}
	return n.rng.NormFloat64()
}

func (n *noise) step() float64 {
	n.ar = n.phi*n.ar + math.Sqrt(1-n.phi*n.phi)*n.rng.NormFloat64()
	return n.ar
}

// student has 3 degrees of freedom, scaled to a standard deviation near one and
// cut at eight: a board has no negative current and no lightning.
func (n *noise) student() float64 {
	a, b, c := n.rng.NormFloat64(), n.rng.NormFloat64(), n.rng.NormFloat64()
	x := n.rng.NormFloat64() / math.Sqrt((a*a+b*b+c*c)/3) / math.Sqrt(3)
	return min(max(x, -8), 8)
}

// draw is the board's current after `since` seconds of the phase.
func (n *noise) draw(l *load, since float64) float64 {
	mean := l.mean
	if l.tau > 0 {
		mean += (l.from - l.mean) * math.Exp(-since/l.tau)
	}
	x := mean
	if l.rel > 0 {
		x += mean * l.rel * n.unit()
	}
	if l.abs > 0 {
		x += l.abs * n.rng.NormFloat64()
	}
	if l.bursts > 0 {
		if n.rng.Float64() < n.flip {
			n.peak = !n.peak
		}
		if n.peak {
			x += mean * l.bursts
		}
	}
	return max(x, 0.15*mean)
}
