package config

import (
	"slices"
	"strings"

	"benchvigil/internal/bench"
)

// Nothing is the word for no goal that is armed by itself.
const Nothing = "none"

// auto reads the modes that arm a goal when they are entered.
func (c *checker) auto(path, text string) (out []bench.Mode) {
	if text == "" || text == Nothing {
		return nil
	}
	for word := range strings.SplitSeq(text, ",") {
		switch m := bench.Mode(strings.TrimSpace(word)); {
		case m != bench.Restoring && m != bench.RePairing:
			c.fail(path, "%q arms nothing: write %s, %s, both with a comma between them, or %s", strings.TrimSpace(word), bench.Restoring, bench.RePairing, Nothing)
		case !slices.Contains(out, m):
			out = append(out, m)
		}
	}
	return out
}

// has keeps those of the modes that the station's family has.
func (s Station) has(modes []bench.Mode) (out []bench.Mode) {
	for _, m := range modes {
		if s.Profile != nil && s.Profile.Spec(m) != nil {
			out = append(out, m)
		}
	}
	return out
}
