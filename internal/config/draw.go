package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// maxDraw bounds a current that a rule can be about.
const maxDraw = 100 * unit.Ampere

// draw reads a rule of one's own about the current.
func (c *checker) draw(path string, raw rawDraw, cfg *Config) Draw {
	if raw.Name == "" {
		c.missing(path+".name", "give the rule a short name of its own, such as high-idle")
	}
	d := Draw{
		Name:     c.label(path+".name", raw.Name),
		Stations: c.named(path+".stations", "station", raw.Stations, stationIDs(cfg)),
		Modes:    known(c, path+".modes", "mode", raw.Modes, bench.Modes()),
		For:      c.duration(path+".for", cmp.Or(raw.For, short(DefaultFor)), minFor, maxFor),
		Severity: bench.Severity(cmp.Or(raw.Severity, string(bench.Caution))),
	}
	if !c.broken {
		d.Profiles = c.named(path+".profiles", "profile", raw.Profiles, c.known())
	}
	if !slices.Contains(bench.Severities(), d.Severity) {
		c.fail(path+".severity", "unknown severity %q: %s", raw.Severity, hint(raw.Severity, words(bench.Severities())))
	}
	if len(raw.Stations) > 0 && len(raw.Profiles) > 0 {
		c.fail(path+".profiles", "stations are given too: keep one")
	}
	c.measured(path+".stations", d.Stations, cfg)
	c.limit(path, raw, &d)
	return d
}

// measured refuses stations whose current nobody measures.
func (c *checker) measured(path string, ids []string, cfg *Config) {
	for _, s := range cfg.Stations {
		if slices.Contains(ids, s.ID) && !s.Supply.Known() {
			c.fail(path, "station %q has no supply, so nobody measures its current: take it out", s.ID)
		}
	}
}

// limit reads what the current must not do: one thing of four.
func (c *checker) limit(path string, raw rawDraw, d *Draw) {
	given := givenLimits(raw)
	switch {
	case len(given) == 0:
		c.missing(path+".above", "say what the current must not do: above: 1.5, below: 0.1, outside: [0.1, 0.8] or changed_by: 0.2, in ampere")
		return
	case len(given) > 1:
		c.fail(path+"."+given[1], "%s is given too: one rule has one limit, and outside: [low, high] has both ends", given[0])
		return
	}
	if raw.Within != "" && raw.ChangedBy == "" {
		c.fail(path+".within", "belongs to changed_by, which is not given: remove it, or write for")
	}
	switch given[0] {
	case "above":
		d.Above = unit.Some(c.amps(path+".above", raw.Above, 0))
	case "below":
		d.Below = unit.Some(c.amps(path+".below", raw.Below, 1))
	case "changed_by":
		d.ChangedBy = unit.Some(c.amps(path+".changed_by", raw.ChangedBy, 1))
		d.Within = c.duration(path+".within", cmp.Or(raw.Within, short(DefaultWithin)), minFor, maxFor)
	default:
		d.Outside = c.band(path+".outside", raw.Outside)
	}
}

func givenLimits(raw rawDraw) (keys []string) {
	for _, l := range []struct {
		key   string
		given bool
	}{
		{"above", raw.Above != ""},
		{"below", raw.Below != ""},
		{"outside", len(raw.Outside) > 0},
		{"changed_by", raw.ChangedBy != ""},
	} {
		if l.given {
			keys = append(keys, l.key)
		}
	}
	return keys
}

func (c *checker) band(path string, texts []string) unit.Maybe[Band] {
	if len(texts) != 2 {
		c.fail(path, "must be two currents in ampere, the lower first, such as [0.1, 0.8]")
		return unit.Maybe[Band]{}
	}
	var ends []unit.Current
	c.each(path, texts, func(at, text string) { ends = append(ends, c.amps(at, text, 0)) })
	if len(ends) < 2 {
		return unit.Maybe[Band]{}
	}
	b := Band{ends[0], ends[1]}
	if b.Low >= b.High && !c.blamed[path+"[0]"] && !c.blamed[path+"[1]"] {
		c.fail(path, "[%s, %s] is upside down: write the lower one first", texts[0], texts[1])
	}
	return unit.Some(b)
}

// amps reads a current of at least least.
func (c *checker) amps(path, text string, least unit.Current) unit.Current {
	a, err := unit.ParseAmps(strings.TrimSpace(text))
	switch {
	case err != nil:
		c.fail(path, "%q is no current: write a number in ampere, such as 0.25", text)
	case a < 0 || a > maxDraw:
		c.fail(path, "%s A is no current of a board: write one from 0 to %g, in ampere", text, maxDraw.Amps())
	case a < least:
		c.fail(path, "no current is below that: write more than 0, in ampere")
	}
	return a
}

// ownNames checks that no two rules have one name.
func (c *checker) ownNames(all []Draw) {
	lines := map[string]int{}
	for i, d := range all {
		path := index("alerts.draw", i) + ".name"
		if first, taken := lines[d.Name]; taken && d.Name != "" {
			c.fail(path, "%q is already the name of the rule on line %d: give each its own", d.Name, first)
			continue
		}
		lines[d.Name] = c.line(path)
	}
}

func index(path string, i int) string { return fmt.Sprintf("%s[%d]", path, i) }
