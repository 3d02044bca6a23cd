package supply

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"benchvigil/internal/unit"
)

// Asked says which numbers an answer must hold.
type Asked int

// The kinds of measuring queries. A compound query asks for volts, then amps.
const (
	VoltsAndAmps Asked = iota
	VoltsOnly
	AmpsOnly
)

// Answer is what one answer says. A quantity that was not asked for, is not a
// number or is over range is unknown.
type Answer struct {
	Volts     unit.Maybe[unit.Voltage]
	Amps      unit.Maybe[unit.Current]
	Celsius   unit.Maybe[unit.Temperature] // only a meter that streams gives it here
	VoltsOver bool                         // the instrument says that volts are over range
	AmpsOver  bool                         // likewise amps
}

// What can be wrong with an answer; ParseAnswer wraps one of them.
var (
	ErrGarbled  = errors.New("garbled")
	ErrOneValue = errors.New("one value where two were asked for")
	ErrRefused  = errors.New("an error instead of values")
)

// ParseAnswer reads one answer line without its terminator: "3.801;0.412" or
// "3.801,0.412" to a compound query, one number to a single one. Numbers are
// NR1, NR2 or NR3 without a unit.
func ParseAnswer(line string, asked Asked) (Answer, error) {
	switch asked {
	case VoltsOnly:
		return parseFields(line, "", true, false)
	case AmpsOnly:
		return parseFields("", line, false, true)
	}
	i := strings.IndexAny(line, ";,")
	if i >= 0 {
		a, err := parseFields(line[:i], line[i+1:], true, true)
		if err == nil {
			return a, nil
		}
		if e, bad := ParseErrorEntry(line); bad == nil && e.Code != 0 {
			return Answer{}, fmt.Errorf("%w: %s", ErrRefused, clip(line))
		}
		return Answer{}, err
	}
	if _, err := parseFields(line, "", true, false); err == nil {
		return Answer{}, fmt.Errorf("%w: %s", ErrOneValue, clip(line))
	}
	return Answer{}, fmt.Errorf("%w: %s", ErrGarbled, clip(line))
}

func parseFields(volts, amps string, hasVolts, hasAmps bool) (a Answer, err error) {
	if hasVolts {
		if a.Volts, a.VoltsOver, err = parseNumber(volts, unit.ParseVolts); err != nil {
			return Answer{}, err
		}
	}
	if hasAmps {
		if a.Amps, a.AmpsOver, err = parseNumber(amps, unit.ParseAmps); err != nil {
			return Answer{}, err
		}
	}
	return a, nil
}

// parseNumber reads one number, or one of the stand-ins for a number.
func parseNumber[T any](s string, parse func(string) (T, error)) (v unit.Maybe[T], over bool, err error) {
	s = strings.Trim(s, " \t")
	n, err := parse(s)
	if err == nil {
		return unit.Some(n), false, nil
	}
	nan, over := standIn(s)
	if nan || over {
		return unit.Maybe[T]{}, over, nil
	}
	return unit.Maybe[T]{}, false, fmt.Errorf("%w: %s", ErrGarbled, clip(s))
}

// The numbers that stand for what is not one: SCPI-1999 volume 1, 7.2.1.4
// (INFinity, NINFinity) and 7.2.1.5 (NAN), as instrument makers' manuals quote
// them. 9.9E37 and 9.91E37 are one part in a thousand apart, and makers print
// them with more or fewer digits.
const (
	scpiNaN      = 9.91e37
	scpiInfinity = 9.9e37
	tolerance    = 1e-4
)

// standIn recognises not-a-number and over range, as numbers and as words; OL is
// what the displays of meters say (common practice).
func standIn(s string) (nan, over bool) {
	switch strings.ToUpper(s) {
	case "NAN":
		return true, false
	case "OL", "INF", "INFINITY", "NINF", "NINFINITY", "+INF", "-INF":
		return false, true
	}
	f, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return false, false
	}
	return near(f, scpiNaN), near(math.Abs(f), scpiInfinity)
}

func near(f, want float64) bool { return math.Abs(f/want-1) < tolerance }

// parseSwitch reads the answer to OUTP?: IEEE 488.2 boolean response data are
// 0 and 1; the words are what some makers send.
func parseSwitch(line string) (bool, error) {
	switch strings.ToUpper(strings.Trim(line, " \t")) {
	case "1", "+1", "ON":
		return true, nil
	case "0", "+0", "OFF":
		return false, nil
	}
	return false, fmt.Errorf("%w: %s", ErrGarbled, clip(line))
}

// clip quotes the beginning of foreign bytes, so that they are safe to show.
func clip(s string) string {
	const most = 48
	if len(s) > most {
		return strconv.Quote(s[:most]) + "…"
	}
	return strconv.Quote(s)
}
