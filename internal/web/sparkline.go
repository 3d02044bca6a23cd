package web

import (
	"fmt"
	"strconv"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Sparkline is the recent shape of the current as SVG paths, in a box of Width
// by sparkHeight. Where there was no reading the line has a gap. The paths are
// empty when there is nothing to draw.
type Sparkline struct {
	Line, Area string
	Width      int
	Top        string // the current at the upper edge
	Text       string // the same in words, for who cannot see it
}

const (
	sparkStep   = 2   // width of one step
	sparkSlots  = 120 // steps in the box, unless the shape is longer
	sparkHeight = 100
	sparkHead   = 4 // left free above the highest value, for the width of the line
)

// sparkline draws a shape so that its right edge is now: steps that have
// passed since its end without a reading are a gap too.
func sparkline(s *bench.Snapshot) Sparkline {
	sh := s.Shape
	low, high, found := bounds(sh.Amps)
	if !found || sh.Step <= 0 {
		return Sparkline{}
	}
	slots := max(sparkSlots, len(sh.Amps))
	peak := high
	if amps, ok := s.Reading.Amps.Get(); ok && s.SupplyLost.IsZero() {
		peak = max(peak, amps) // the step under way is not in the shape yet
	}
	late := max(0, int(s.At.Sub(sh.Until)/sh.Step))
	p := pen{top: roundUp(peak), x: (slots - late - len(sh.Amps)) * sparkStep, gaps: late}
	for _, amps := range sh.Amps {
		p.step(amps)
	}
	p.up()
	if len(p.line) == 0 {
		return Sparkline{}
	}
	return Sparkline{
		Line: string(p.line), Area: string(p.area), Width: slots * sparkStep, Top: p.top.String(),
		Text: fmt.Sprintf("Current over the last %s: %v to %v%s", spanRound(time.Duration(slots)*sh.Step), low, high, p.gapWords()),
	}
}

// roundUp is the current at the upper edge: a round one, so that a current that
// passes its own maximum again and again does not make another picture each time.
func roundUp(peak unit.Current) unit.Current {
	for decade := unit.Milliampere; ; decade *= 10 {
		for _, tenths := range []unit.Current{10, 12, 15, 20, 25, 30, 40, 50, 60, 80} {
			if top := decade * tenths / 10; top >= peak {
				return top
			}
		}
	}
}

// spanRound prints a length without its zero seconds: "10 min".
func spanRound(d time.Duration) string {
	switch {
	case d >= time.Hour && d%time.Hour == 0:
		return fmt.Sprintf("%d h", d/time.Hour)
	case d >= time.Minute && d%time.Minute == 0 && d < time.Hour:
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return span(d)
}

func bounds(all []unit.Maybe[unit.Current]) (low, high unit.Current, found bool) {
	for _, m := range all {
		amps, ok := m.Get()
		if !ok {
			continue
		}
		if !found {
			low, high, found = amps, amps, true
		}
		low, high = min(low, amps), max(high, amps)
	}
	return low, high, found
}

// pen draws one step after the other, and lifts where there is no reading.
type pen struct {
	top        unit.Current
	x          int
	down       bool
	from       int // where the stroke began
	gaps       int
	line, area []byte
}

func (p *pen) step(m unit.Maybe[unit.Current]) {
	amps, ok := m.Get()
	switch {
	case p.x < 0: // left of the box
	case !ok:
		p.up()
		p.gaps++
	default:
		p.to(p.x, p.height(amps))
	}
	p.x += sparkStep
}

// height is measured from above, as SVG does. Currents below zero lie on the
// floor.
func (p *pen) height(amps unit.Current) int {
	amps = max(amps, 0)
	return sparkHeight - int(int64(amps)*(sparkHeight-sparkHead)/int64(p.top))
}

func (p *pen) to(x, y int) {
	if p.down {
		p.line = point(p.line, 'L', x, y)
		p.area = point(p.area, 'L', x, y)
		return
	}
	p.down, p.from = true, x
	p.line = point(p.line, 'M', x, y)
	p.area = point(p.area, 'M', x, sparkHeight)
	p.area = point(p.area, 'L', x, y)
}

// up ends a stroke. Every step is as wide as the others, so that one alone can
// be seen too.
func (p *pen) up() {
	if !p.down {
		return
	}
	p.down = false
	p.line = strconv.AppendInt(append(p.line, 'h'), sparkStep, 10)
	p.area = strconv.AppendInt(append(p.area, 'h'), sparkStep, 10)
	p.area = append(strconv.AppendInt(append(p.area, 'V'), sparkHeight, 10), 'Z')
}

func (p *pen) gapWords() string {
	if p.gaps == 0 {
		return ""
	}
	return ", with gaps"
}

func point(b []byte, command byte, x, y int) []byte {
	b = strconv.AppendInt(append(b, command), int64(x), 10)
	return strconv.AppendInt(append(b, ' '), int64(y), 10)
}
