package chart

import "math"

// Apart is how the currents of two runs differ, laid on each other at their
// starts, over the time that both were up and read.
type Apart struct {
	CommonMS int64 `json:"common_ms"` // how long that is
	Mean     int64 `json:"mean"`      // mean difference without sign, µA
	PartMS   int64 `json:"part_ms"`   // where they begin to go different ways; -1: they go together
	Here     int64 `json:"here"`      // what flowed there in the first run, µA
	There    int64 `json:"there"`     // and in the second
	shared   int   // moments that both were read at
}

// Two currents go different ways where they are further apart than this share of
// the greater one, and than partLeast, for partFor without a break: starts of one
// board differ by less, and a step that comes a second later is no difference.
const (
	partShare = 0.25
	partLeast = 30_000 // µA
	partFor   = 3_000  // ms
	apartGrid = 100    // ms; runs of readings are compared so finely at most
)

// Apart compares the currents; false where the two have no moment in common.
func (c *Comparison) Apart() (Apart, bool) {
	grid := max(c.StepMS, apartGrid)
	until := min(c.A.Run.Uptime(), c.B.Run.Uptime()).Milliseconds()
	if c.LongMS > 0 {
		until = min(until, c.LongMS)
	}
	a, b := c.A.amps(grid, until), c.B.amps(grid, until)
	out := Apart{PartMS: -1}
	sum, began := 0.0, int64(-1)
	for i := range a {
		if a[i] == Absent || b[i] == Absent {
			continue
		}
		out.shared++
		sum += math.Abs(float64(a[i] - b[i]))
		at := int64(i) * grid
		switch {
		case out.PartMS >= 0:
		case !different(a[i], b[i]):
			began = -1
		case began < 0:
			began = at
			out.Here, out.There = a[i], b[i]
			fallthrough
		default:
			if at+grid-began >= partFor {
				out.PartMS = began
			}
		}
	}
	if out.shared == 0 {
		return Apart{}, false
	}
	if out.PartMS < 0 {
		out.Here, out.There = 0, 0
	}
	out.CommonMS, out.Mean = int64(out.shared)*grid, int64(math.Round(sum/float64(out.shared)))
	return out, true
}

func different(a, b int64) bool {
	d := math.Abs(float64(a - b))
	return d > partLeast && d > partShare*float64(max(a, b))
}

// amps is the current of the supply at every step of a grid, as last read; Absent
// where nothing was read for a second or a step.
func (s *Side) amps(grid, until int64) Values {
	out := make(Values, max(0, (until+grid-1)/grid))
	for i := range out {
		out[i] = Absent
	}
	for _, c := range s.Channels {
		if c.Name == Amps {
			c.onto(out, grid)
		}
	}
	return out
}

func (c *Channel) onto(out Values, grid int64) {
	values := c.V
	if len(c.Mean) > 0 {
		values = c.Mean
	}
	stale := max(grid, 1000)
	for i, v := range values {
		from, to := c.T[i], c.T[i]+stale
		if i+1 < len(c.T) {
			to = min(to, c.T[i+1])
		}
		for k := max(0, (from+grid-1)/grid); k < int64(len(out)) && k*grid < to; k++ {
			out[k] = v
		}
	}
}
