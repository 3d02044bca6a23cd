package recording

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// What no bench supply shows beside a phone board, which takes up to 20 V and
// some amperes: beyond it somebody has written millivolts (a battery's voltage
// is 3800) or milliamperes (a board that is up draws 50 and more). The other
// way round an open input may show some millivolts below zero. A warning, since
// what an instrument showed, and inference was given, must replay.
const (
	mostVolts  = 100 * unit.Volt
	leastVolts = -100 * unit.Millivolt
	mostAmps   = 50 * unit.Ampere
)

// Lines of a station that are older than the line before: in a live watch some,
// as sources stamp what they deliver later; but these parts of all lines, and
// not fewer, only where the order is wrong throughout.
const (
	leastBack = 3
	backParts = 0.4
)

// doubts is what can be said of a recording only at its end.
type doubts struct {
	stations map[string]*order
	told     bool
}

// order counts the lines of a station, and those older than the line before.
type order struct {
	last        time.Time
	lines, back int
}

// doubt looks at one observation.
func (d *Reader) doubt(o bench.Observation) {
	s := d.doubts.stations[o.Station]
	if s == nil {
		s = new(order)
		if d.doubts.stations == nil {
			d.doubts.stations = map[string]*order{}
		}
		d.doubts.stations[o.Station] = s
	}
	if c, ok := o.Fact.(bench.Clock); ok && c.Gap > 0 && s.lines == 0 {
		d.warnOnce("gap\x00"+o.Station, "clock: the recording of "+o.Station+" begins where a watch was taken up again: what was remembered from before is not in it")
	}
	s.lines++
	if o.At.Before(s.last) {
		s.back++
	}
	s.last = o.At
	switch f := o.Fact.(type) {
	case bench.Power:
		d.doubtPower(o.Station, f)
	case bench.Clock:
		if !f.End && f.Gap == 0 && f.Jump == 0 {
			d.warnOnce("clock\x00"+o.Station, "clock.by_s: is missing: the clock of "+o.Station+" is taken to have been stepped by an unknown amount, in no time")
		}
	}
}

func (d *Reader) doubtPower(station string, p bench.Power) {
	v, a := p.Volts.Or(0), p.Amps.Or(0)
	text := ""
	switch {
	case v > mostVolts || v < -mostVolts:
		text = fmt.Sprintf("power.volts: %s shows %v: volts and amperes are expected; is this in mV?", station, v)
	case a > mostAmps || a < -mostAmps:
		text = fmt.Sprintf("power.amps: %s shows %v: volts and amperes are expected; is this in mA?", station, a)
	case v < leastVolts:
		text = fmt.Sprintf("power.volts: %s shows %v: are the leads the wrong way round?", station, v)
	default:
		return
	}
	d.warnOnce("power\x00"+station, text)
}

// doubtAll looks at the whole of a recording, once.
func (d *Reader) doubtAll() {
	if d.doubts.told {
		return
	}
	d.doubts.told = true
	say := func(format string, args ...any) {
		d.Warn(d.name + ": " + printable(fmt.Sprintf(format, args...)))
	}
	met := slices.Sorted(maps.Keys(d.doubts.stations))
	if len(met) == 0 {
		say("there is no observation in it")
		return
	}
	said := d.header.Stations
	if len(said) > 0 && !slices.ContainsFunc(met, func(id string) bool { _, ok := said[id]; return ok }) {
		say("the header speaks of %s only, the observations are of %s: how they are wired is guessed",
			strings.Join(slices.Sorted(maps.Keys(said)), ", "), strings.Join(met, ", "))
	}
	for _, id := range met {
		if s := d.doubts.stations[id]; s.back >= leastBack && float64(s.back) >= backParts*float64(s.lines-1) {
			say("time runs backwards in %d of the %d lines of %s: a recording begins with what was first, so sort the lines", s.back, s.lines, id)
		}
	}
}

// checkStart passes over a byte order mark, and names what other programs may
// have made of a recording.
func (d *Reader) checkStart() error {
	b, _ := d.b.Peek(3) // an error comes again with the first line
	var err error
	switch has := func(p string) bool { return bytes.HasPrefix(b, []byte(p)) }; {
	case has("\xef\xbb\xbf"):
		_, _ = d.b.Discard(3) // peeked already
	case has("\xff\xfe"), has("\xfe\xff"), has("{\x00"), has("\x00{"):
		err = errors.New("text in UTF-16: save as UTF-8")
	case has("\x1f\x8b"): // RFC 1952 section 2.3.1
		err = errors.New("compressed by gzip: unpack it first")
	}
	if err != nil {
		d.n = 1
		return d.bad("", err)
	}
	return nil
}
