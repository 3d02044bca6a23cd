package study

import (
	"math"
	"math/rand/v2"

	"benchvigil/internal/unit"
)

// meter is the measuring side of a bench supply.
type meter struct {
	rng        *rand.Rand
	rate       float64 // readings a second
	step       unit.Current
	gain       float64
	offset     float64   // A
	ripple     float64   // mains, aliased by sampling, A
	hz         float64   // its apparent frequency
	jitter     float64   // of the moment, against the period
	aperture   ms        // it averages over this long
	lost       float64   // chance that a reading fails
	burst      float64   // chance that a series of failures begins
	failing    int       // readings still to fail
	null       bool      // a failed reading is sent without a value
	glitch     float64   // chance of one wrong reading, as when the range is switched
	wrong      []float64 // it shows so many times the truth
	glitched   bool      // the last one was
	setting    unit.Voltage
	limit      unit.Current // 0: the instrument does not say
	resistance float64      // of cable and contacts, ohm
}

// newMeter makes up an instrument. Those that print 10 mA steps cannot show
// what a board draws in standby or asleep.
func newMeter(rng *rand.Rand) meter {
	m := meter{
		rng: rng, rate: pick(rng, []float64{10, 10, 10, 10, 10, 10, 10, 10, 10, 10, 10, 10, 10, 5, 2, 2, 2, 20, 50, 50}), step: unit.Milliampere,
		gain: 1 + 0.02*rng.NormFloat64(), offset: 0.0008 * (2*rng.Float64() - 1),
		ripple: 0.004 * rng.Float64() * rng.Float64(), hz: 0.05 + 4*rng.Float64(),
		jitter: 0.25 * rng.Float64(), setting: unit.Voltage(3_800_000 + 100_000*rng.IntN(5)),
		null: rng.IntN(2) == 0, resistance: 0.02 + 0.1*rng.Float64(),
	}
	m.gain = min(max(m.gain, 0.95), 1.05)
	if rng.IntN(4) == 0 {
		m.step = 10 * unit.Milliampere
	}
	switch rng.IntN(6) { // most are good, some are poor
	case 0:
		m.lost = 0.1 * rng.Float64()
		m.burst = 0.001 * rng.Float64()
	case 1, 2:
		m.lost = 0.02 * rng.Float64()
		m.burst = 0.0005 * rng.Float64()
	}
	switch rng.IntN(6) {
	case 0:
		m.glitch, m.wrong = 0.01*rng.Float64(), []float64{0.4, 1.9, 3}
	case 1, 2:
		m.glitch, m.wrong = 1e-5*rng.Float64(), []float64{0, 0.1, 3}
	}
	if rng.IntN(2) == 0 {
		m.limit = unit.Current(2_000_000 + 500_000*rng.IntN(3))
	}
	m.aperture = ms((0.1 + 0.5*rng.Float64()) * 1000 / m.rate)
	return m
}

func (m *meter) period() float64 { return 1000 / m.rate }

// reading is what the instrument shows of a true current at a moment.
func (m *meter) reading(x float64, t ms) unit.Current {
	x = x*m.gain + m.offset
	if x > 0.03 {
		x += m.ripple * math.Sin(2*math.Pi*m.hz*float64(t)/1000)
	}
	if m.glitched = m.glitch > 0 && !m.glitched && m.rng.Float64() < m.glitch; m.glitched {
		x *= pick(m.rng, m.wrong)
	}
	c := unit.FromAmps(x)
	if m.limit > 0 {
		c = min(c, m.limit)
	}
	return c.Round(m.step)
}

// fails draws whether this reading is lost, alone or in a series.
func (m *meter) fails() bool {
	if m.failing > 0 {
		m.failing--
		return true
	}
	if m.burst > 0 && m.rng.Float64() < m.burst {
		m.failing = 1 + m.rng.IntN(max(int(m.rate), 2))
		return true
	}
	return m.lost > 0 && m.rng.Float64() < m.lost
}

func pick[T any](rng *rand.Rand, of []T) T { return of[rng.IntN(len(of))] }
