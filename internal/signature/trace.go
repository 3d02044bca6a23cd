package signature

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// ErrTrace is wrapped where readings do not make a trace.
var ErrTrace = errors.New("no trace")

// Limits of a trace.
const (
	grid        = 100 * time.Millisecond // the shortest stretch between two levels
	longest     = 60 * time.Second       // of a start
	slowest     = 2 * time.Second        // between two readings
	fewest      = 4                      // readings
	blind       = 3 * time.Second        // without a reading: the trace ends there
	blindPeriod = 10                     // or so many reading periods, as supply.lost
)

// Reading is one reading of the supply, At after power-up.
type Reading struct {
	At   time.Duration
	Amps unit.Current
}

// Ending says how a trace ended.
type Ending string

// The endings. Only the first two are the board's doing.
const (
	Up      Ending = "up"      // the mode starting gave way to another
	Dropped Ending = "dropped" // the run dropped
	Stopped Ending = "stopped" // a person ended it
	Cut     Ending = "cut"     // 60 s were over, or nothing more was seen
)

// Trace is the current of one start, from power-up.
type Trace struct {
	Every  time.Duration  // from one level to the next, a multiple of 100 ms
	Levels []unit.Current // the first at power-up
	End    Ending
	Mode   bench.Mode    // that it came up in
	After  time.Duration // when it ended; the levels may go on a little
}

// NewTrace makes a trace of readings in the order of time, without its ending.
// It reports where readings are missing for so long that the trace is cut.
func NewTrace(readings []Reading) (t Trace, cut bool, err error) {
	period := typicalPeriod(readings)
	if period > slowest {
		return Trace{}, false, fmt.Errorf("%w: a reading every %v is too seldom: at least one in %v is needed", ErrTrace, period.Round(grid), slowest)
	}
	for i := 1; i < len(readings); i++ {
		if readings[i].At-readings[i-1].At > max(blind, blindPeriod*period) {
			readings, cut = readings[:i], true
		}
	}
	if len(readings) < fewest {
		return Trace{}, false, fmt.Errorf("%w: %d readings of the supply in a row, at least %d are needed", ErrTrace, len(readings), fewest)
	}
	every := max(grid, period.Round(grid))
	t = Trace{Every: every, Levels: resample(readings, every), End: Cut}
	t.After = t.Length()
	return t, cut, nil
}

// Length is how long the levels last.
func (t Trace) Length() time.Duration { return time.Duration(len(t.Levels)) * t.Every }

func typicalPeriod(readings []Reading) time.Duration {
	var apart []time.Duration
	for i := 1; i < len(readings); i++ {
		apart = append(apart, readings[i].At-readings[i-1].At)
	}
	if len(apart) == 0 {
		return 0
	}
	slices.Sort(apart)
	return apart[len(apart)/2]
}

// resample is the median of the readings in each stretch of time; where there
// is none, the level of the nearest stretch that has one.
func resample(readings []Reading, every time.Duration) []unit.Current {
	bins := make([][]unit.Current, readings[len(readings)-1].At/every+1)
	for _, r := range readings {
		if i := int(r.At / every); r.At >= 0 && i < len(bins) {
			bins[i] = append(bins[i], r.Amps)
		}
	}
	levels := make([]unit.Current, len(bins))
	for i := range bins {
		levels[i] = median(nearest(bins, i))
	}
	return levels
}

// nearest is the stretch with readings that is nearest to the i-th, the
// earlier of two.
func nearest(bins [][]unit.Current, i int) []unit.Current {
	for d := range bins {
		if i-d >= 0 && len(bins[i-d]) > 0 {
			return bins[i-d]
		}
		if i+d < len(bins) && len(bins[i+d]) > 0 {
			return bins[i+d]
		}
	}
	return nil
}

// median is 0 of nothing; of an even number it is the upper of the middle two,
// because a level between two steps is none.
func median(c []unit.Current) unit.Current {
	if len(c) == 0 {
		return 0
	}
	return slices.Sorted(slices.Values(c))[len(c)/2]
}

// smooth is the running median of three: what one stretch alone shows is not
// the board's.
func smooth(levels []unit.Current) []unit.Current {
	out := slices.Clone(levels)
	for i := 1; i+1 < len(levels); i++ {
		out[i] = median(levels[i-1 : i+2])
	}
	return out
}

// on100ms repeats levels so that they stand 100 ms apart.
func on100ms(levels []unit.Current, every time.Duration) []unit.Current {
	times := int(every / grid)
	out := make([]unit.Current, 0, len(levels)*times)
	for _, l := range levels {
		for range times {
			out = append(out, l)
		}
	}
	return out
}
