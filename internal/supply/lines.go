package supply

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// DefaultSilence is how long a meter that streams may say nothing of use.
const DefaultSilence = 5 * time.Second

// The named groups that a pattern may have. Their units are fixed.
const (
	groupVolts      = "volts"
	groupAmps       = "amps"
	groupMillivolts = "millivolts"
	groupMilliamps  = "milliamps"
	groupCelsius    = "celsius"
)

// maxPattern bounds a pattern in bytes.
const maxPattern = 1000

// Pattern reads the lines of a meter that speaks without being asked.
type Pattern struct {
	re     *regexp.Regexp
	groups []string
}

// ParsePattern reads a regular expression with named groups: volts or
// millivolts, amps or milliamps, celsius; one of them at least.
func ParsePattern(text string) (*Pattern, error) {
	if len(text) > maxPattern {
		return nil, fmt.Errorf("longer than %d bytes", maxPattern)
	}
	re, err := regexp.Compile(text)
	if err != nil {
		return nil, fmt.Errorf("not a regular expression: %w", err)
	}
	p := &Pattern{re: re, groups: re.SubexpNames()}
	known := []string{groupVolts, groupMillivolts, groupAmps, groupMilliamps, groupCelsius}
	n := map[string]int{}
	for _, g := range p.groups {
		switch {
		case g == "":
		case !slices.Contains(known, g):
			return nil, fmt.Errorf("unknown group %q: use (?P<volts>…), %s", g, strings.Join(known[1:], ", "))
		case n[g] > 0:
			return nil, fmt.Errorf("group %q stands in it twice", g)
		default:
			n[g]++
		}
	}
	switch {
	case len(n) == 0:
		return nil, errors.New("no group tells a value: write one such as (?P<volts>[0-9.]+)")
	case n[groupVolts]+n[groupMillivolts] > 1:
		return nil, errors.New("volts and millivolts exclude each other")
	case n[groupAmps]+n[groupMilliamps] > 1:
		return nil, errors.New("amps and milliamps exclude each other")
	}
	return p, nil
}

// Power reports a pattern that tells volts or amperes.
func (p *Pattern) Power() bool {
	return slices.ContainsFunc(p.groups, func(g string) bool { return g != "" && g != groupCelsius })
}

// Celsius reports a pattern that tells a temperature.
func (p *Pattern) Celsius() bool { return slices.Contains(p.groups, groupCelsius) }

// Read reads one line without its end. A group that took no part is unknown; a
// line that tells nothing at all is garbled.
func (p *Pattern) Read(line string) (a Answer, err error) {
	m := p.re.FindStringSubmatch(line)
	if m == nil {
		return Answer{}, fmt.Errorf("%w: %s", ErrGarbled, clip(line))
	}
	told := false
	for i, g := range p.groups {
		if g == "" || m[i] == "" {
			continue
		}
		told = true
		if err := a.set(g, m[i]); err != nil {
			return Answer{}, err
		}
	}
	if !told {
		return Answer{}, fmt.Errorf("%w: %s", ErrGarbled, clip(line))
	}
	return a, nil
}

// set takes the text of one group.
func (a *Answer) set(group, text string) (err error) {
	switch group {
	case groupVolts:
		a.Volts, a.VoltsOver, err = parseNumber(text, unit.ParseVolts)
	case groupMillivolts:
		a.Volts, a.VoltsOver, err = parseNumber(text, unit.ParseMillivolts)
	case groupAmps:
		a.Amps, a.AmpsOver, err = parseNumber(text, unit.ParseAmps)
	case groupMilliamps:
		a.Amps, a.AmpsOver, err = parseNumber(text, unit.ParseMilliamps)
	case groupCelsius:
		a.Celsius, _, err = parseNumber(text, unit.ParseCelsius)
	}
	return err
}

// listen takes lines as they come, until the connection fails or nothing of
// use has come for too long. A line that does not fit is counted: meters also
// print titles and messages, and only their lack of anything else is a loss.
func (s *session) listen(conn Conn) *failure {
	lines := bufio.NewScanner(conn)
	lines.Buffer(make([]byte, 0, maxLine), maxLine)
	lines.Split(splitLines)
	garbage := ""
	until := time.Now().Add(s.opts.Timeout)
	for whole := false; ; whole = true {
		if err := conn.SetDeadline(until); err != nil {
			return broken(err)
		}
		if !lines.Scan() {
			return s.unheard(lines.Err(), garbage)
		}
		line := strings.Trim(lines.Text(), " \t")
		if !whole || line == "" {
			continue // the first may be the second half of a line
		}
		a, err := s.pattern.Read(line)
		if err != nil {
			s.counts.failures[Garbled].Add(1)
			garbage = line
			continue
		}
		if s.beside(a) {
			continue
		}
		garbage, until = "", time.Now().Add(s.opts.Timeout)
		s.take(a)
	}
}

// beside takes a line that tells no more than the temperature beside what the
// meter is there for.
func (s *session) beside(a Answer) bool {
	if s.opts.Channel == bench.ChannelThermometer || !a.Celsius.Known() || a != (Answer{Celsius: a.Celsius}) {
		return false
	}
	s.warm(s.opts.Now(), a.Celsius)
	return true
}

// unheard says why there is no further line.
func (s *session) unheard(err error, garbage string) *failure {
	f := broken(err)
	if f.kind == Silent {
		f.what = fmt.Sprintf("no line within %v", s.opts.Timeout)
	}
	if f.kind == Silent && garbage != "" {
		f = &failure{kind: Garbled, what: fmt.Sprintf("no line within %v fits the pattern", s.opts.Timeout), sample: ": " + clip(garbage)}
	}
	return f
}

// broken says why listening ended; nil is the end of the stream.
func broken(err error) *failure {
	switch {
	case err == nil:
		return &failure{kind: Broken, what: "the meter closed the connection"}
	case errors.Is(err, bufio.ErrTooLong):
		return &failure{kind: Broken, what: fmt.Sprintf("no end of a line within %d bytes: is the baud rate right?", maxLine)}
	case errors.Is(err, os.ErrDeadlineExceeded):
		return &failure{kind: Silent}
	}
	return &failure{kind: Broken, what: "listen: " + cause(err)}
}

// splitLines is a bufio.SplitFunc for lines that end in LF, CR or both. What
// follows the last end is no line: its rest did not come.
func splitLines(data []byte, atEOF bool) (advance int, token []byte, err error) {
	if i := bytes.IndexAny(data, "\r\n"); i >= 0 {
		return i + 1, data[:i], nil
	}
	if atEOF {
		return len(data), nil, nil
	}
	return 0, nil, nil
}
