package config

import (
	"cmp"
	"errors"
	"fmt"
	"strings"
	"unicode"

	"benchvigil/internal/unit"
)

func (c *checker) supply(path string, raw rawSupply) unit.Maybe[Supply] {
	if raw.Address == "" {
		c.missing(path+".address", "say where the instrument is, such as tcp://192.0.2.10:5025")
	}
	s := Supply{
		Address:       c.supplyAddress(path+".address", raw.Address),
		Query:         c.query(path+".query", raw.Query),
		VoltsQuery:    c.query(path+".volts_query", raw.VoltsQuery),
		AmpsQuery:     c.query(path+".amps_query", raw.AmpsQuery),
		OutputQuery:   c.query(path+".output_query", raw.OutputQuery),
		SetVoltsQuery: c.query(path+".set_volts_query", raw.SetVoltsQuery),
		LimitQuery:    c.query(path+".limit_query", raw.LimitQuery),
		Every:         c.duration(path+".every", cmp.Or(raw.Every, DefaultEvery.String()), minEvery, maxEvery),
		Timeout:       c.duration(path+".timeout", cmp.Or(raw.Timeout, DefaultTimeout.String()), minTimeout, maxTimeout),
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
	return unit.Some(s)
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

// readingOf names the reading that feeds the station, "" for none.
func readingOf(s Station) string {
	supply, ok := s.Supply.Get()
	if !ok || supply.Address == "" {
		return ""
	}
	return strings.Join([]string{strings.TrimPrefix(supply.Address, "tcp://"), supply.Query, supply.VoltsQuery, supply.AmpsQuery}, "\n")
}

func unprintable(r rune) bool { return !unicode.IsPrint(r) }
