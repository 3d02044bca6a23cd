package config

import (
	"cmp"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode"

	"benchvigil/internal/unit"
)

// The kinds of instruments.
const (
	kindSCPI  = "scpi"  // answers questions
	kindLines = "lines" // prints lines without being asked
)

// supply reads an instrument that feeds a board or measures what feeds it.
func (c *checker) supply(path string, raw rawSupply) unit.Maybe[Supply] {
	if raw.Address == "" {
		c.missing(path+".address", "say where the instrument is, such as tcp://192.0.2.10:5025")
	}
	s := Supply{Address: c.address(path+".address", raw.Address)}
	switch raw.Kind {
	case "", kindSCPI:
		c.asked(path, raw, &s)
	case kindLines:
		c.listened(path, raw, &s)
	default:
		c.fail(path+".kind", "%q is no kind of instrument: write %s for one that answers questions, %s for one that prints by itself",
			raw.Kind, kindSCPI, kindLines)
	}
	return unit.Some(s)
}

// asked reads what an instrument is asked.
func (c *checker) asked(path string, raw rawSupply, s *Supply) {
	s.Query = c.query(path+".query", raw.Query)
	s.VoltsQuery = c.query(path+".volts_query", raw.VoltsQuery)
	s.AmpsQuery = c.query(path+".amps_query", raw.AmpsQuery)
	s.OutputQuery = c.query(path+".output_query", raw.OutputQuery)
	s.SetVoltsQuery = c.query(path+".set_volts_query", raw.SetVoltsQuery)
	s.LimitQuery = c.query(path+".limit_query", raw.LimitQuery)
	s.TemperatureQuery = c.query(path+".temperature_query", raw.TemperatureQuery)
	s.Select = c.selects(path+".select", raw.Select)
	s.Every = c.duration(path+".every", cmp.Or(raw.Every, DefaultEvery.String()), minEvery, maxEvery)
	s.Timeout = c.duration(path+".timeout", cmp.Or(raw.Timeout, DefaultTimeout.String()), minTimeout, maxTimeout)
	if raw.Pattern != "" {
		c.fail(path+".pattern", "reads the lines of a meter that prints by itself: write kind: %s beside it, or remove it", kindLines)
	}
	single := s.VoltsQuery != "" || s.AmpsQuery != ""
	switch {
	case s.Query != "" && single:
		c.fail(path+".query", "asks for what volts_query or amps_query ask for too: keep one way")
	case ampsFirst(s.Query):
		c.fail(path+".query", "%q must ask for the volts before the amps: that is the order of the answers", s.Query)
	case s.Query == "" && !single:
		s.Query = DefaultQuery
	}
}

// listened reads how the lines of a meter are read that prints by itself.
func (c *checker) listened(path string, raw rawSupply, s *Supply) {
	for _, q := range []struct{ key, text string }{
		{"query", raw.Query},
		{"volts_query", raw.VoltsQuery},
		{"amps_query", raw.AmpsQuery},
		{"output_query", raw.OutputQuery},
		{"set_volts_query", raw.SetVoltsQuery},
		{"limit_query", raw.LimitQuery},
		{"temperature_query", raw.TemperatureQuery},
		{"select", raw.Select},
		{"every", raw.Every},
	} {
		if q.text != "" {
			c.fail(path+"."+q.key, "a meter of kind %s is not asked, it prints when it likes: remove it", kindLines)
		}
	}
	if strings.HasPrefix(raw.Address, "usbtmc:") {
		c.fail(path+".kind", "what is reached by usbtmc only answers questions: remove kind and pattern, write its query")
	}
	if raw.Pattern == "" {
		c.missing(path+".pattern", `say how a line is read, such as '(?P<volts>[0-9.]+) V +(?P<amps>[0-9.]+) A'`)
	}
	s.Pattern = c.pattern(path+".pattern", raw.Pattern, "volts", "millivolts", "amps", "milliamps")
	s.Timeout = c.duration(path+".timeout", cmp.Or(raw.Timeout, DefaultSilence.String()), minTimeout, maxTimeout)
}

// thermometer reads a thermometer that prints by itself.
func (c *checker) thermometer(path string, raw rawThermometer) unit.Maybe[Supply] {
	if raw.Address == "" {
		c.missing(path+".address", "say where the thermometer is, such as serial:///dev/serial/by-id/NAME?baud=9600")
	}
	if raw.Pattern == "" {
		c.missing(path+".pattern", `say how a line is read, such as 'T=(?P<celsius>-?[0-9.]+)'`)
	}
	s := Supply{
		Address: c.address(path+".address", raw.Address),
		Pattern: c.pattern(path+".pattern", raw.Pattern, "celsius"),
		Timeout: c.duration(path+".timeout", cmp.Or(raw.Timeout, DefaultLull.String()), minTimeout, maxLull),
	}
	if strings.HasPrefix(raw.Address, "usbtmc:") {
		c.fail(path+".address", "what is reached by usbtmc only answers questions: write it as temperature_query of a supply or meter")
	}
	return unit.Some(s)
}

// groups are the named groups of patterns. Celsius may stand beside all others.
var groups = []string{"volts", "millivolts", "amps", "milliamps", "celsius"}

// maxPattern bounds a pattern in bytes.
const maxPattern = 1000

// pattern checks a regular expression that must have one of the groups in
// needs, and none that is not known here.
func (c *checker) pattern(path, text string, needs ...string) string {
	if text == "" {
		return ""
	}
	re, err := regexp.Compile(text)
	switch {
	case len(text) > maxPattern:
		c.fail(path, "longer than %d bytes: what one line says needs fewer", maxPattern)
		return text
	case err != nil:
		c.fail(path, "%q is not a regular expression: %s", text, strings.TrimPrefix(err.Error(), "error parsing regexp: "))
		return text
	}
	var has []string
	for _, name := range re.SubexpNames() {
		if name != "" {
			has = append(has, name)
		}
	}
	if problem := checkGroups(has, needs); problem != "" {
		c.fail(path, "%q %s", text, problem)
	}
	return text
}

func checkGroups(has, needs []string) string {
	n := map[string]int{}
	for _, g := range has {
		known := append([]string{"celsius"}, needs...)
		if !slices.Contains(known, g) {
			return fmt.Sprintf("has a group %q: %s", g, hint(g, inOrder(known)))
		}
		if n[g]++; n[g] > 1 {
			return fmt.Sprintf("has the group %q twice: keep one", g)
		}
	}
	switch {
	case !slices.ContainsFunc(needs, func(g string) bool { return n[g] > 0 }):
		return fmt.Sprintf("tells no value: it needs a group named %s, such as (?P<%s>[0-9.]+)", strings.Join(needs, ", "), needs[0])
	case n["volts"] > 0 && n["millivolts"] > 0:
		return "has volts and millivolts: keep one"
	case n["amps"] > 0 && n["milliamps"] > 0:
		return "has amps and milliamps: keep one"
	}
	return ""
}

func inOrder(names []string) (out []string) {
	for _, g := range groups {
		if slices.Contains(names, g) {
			out = append(out, g)
		}
	}
	return out
}

// selectCommand are the commands that choose an output and do nothing else.
var selectCommand = regexp.MustCompile(`(?i)^:?INST(RUMENT)?(:SEL(ECT)?|:NSEL(ECT)?)? [A-Z0-9_]{1,16}$`)

// selects refuses whatever would do more than choose the output that is asked.
func (c *checker) selects(path, text string) string {
	if text != "" && !selectCommand.MatchString(text) {
		c.fail(path, `%q cannot be written to an instrument, because benchvigil only asks: the only commands are "INST:NSEL 2" and "INST:SEL CH2" with another number or name`, text)
	}
	return text
}

// query refuses whatever would do more than ask.
func (c *checker) query(path, text string) string {
	if err := checkQuery(text); err != nil && text != "" {
		c.fail(path, "%q: %v", text, err)
	}
	return text
}

// maxQuery bounds a query in bytes: instruments have small input buffers.
const maxQuery = 255

// checkQuery refuses a command among the queries: it would act on the power
// of a board at every reading.
func checkQuery(text string) error {
	if len(text) > maxQuery {
		return fmt.Errorf("longer than %d characters, more than instruments take", maxQuery)
	}
	if strings.ContainsFunc(text, func(r rune) bool { return r > unicode.MaxASCII || unprintable(r) }) {
		return errors.New("only printable ASCII can be sent to an instrument")
	}
	for part := range strings.SplitSeq(text, ";") {
		part = strings.TrimSpace(part)
		if header, _, _ := strings.Cut(part, " "); len(header) < 2 || !strings.HasSuffix(header, "?") {
			return fmt.Errorf(`%q is not a query: every part must end in "?", because benchvigil only asks`, part)
		}
	}
	return nil
}

func ampsFirst(query string) bool {
	q := strings.ToUpper(query)
	volts, amps := strings.Index(q, "VOLT"), strings.Index(q, "CURR")
	return volts >= 0 && amps >= 0 && amps < volts
}

func unprintable(r rune) bool { return !unicode.IsPrint(r) }
