package profile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// maxBytes bounds a profile file; a real one is a few kilobytes.
const maxBytes = 1 << 20

// Parse reads one profile in its YAML form. Errors name the place as
// name:line:column and say what is wrong there.
func Parse(r io.Reader, name string) (*Profile, error) {
	p, _, err := parse(r, name)
	return p, err
}

// parse also returns the decoder, which knows where everything stands.
func parse(r io.Reader, name string) (*Profile, *decoder, error) {
	doc, err := document(r, name)
	if err != nil {
		return nil, nil, err
	}
	d := &decoder{file: name, at: map[place]*yaml.Node{}}
	p := d.profile(doc.Content[0])
	if len(d.errs) > 0 {
		return nil, nil, errors.Join(d.errs...)
	}
	return p, d, nil
}

// document reads the YAML document of a profile.
func document(r io.Reader, name string) (*yaml.Node, error) {
	b, err := io.ReadAll(io.LimitReader(r, maxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read profile %s: %w", name, err)
	}
	if len(b) > maxBytes {
		return nil, fmt.Errorf("%s: larger than 1 MiB, which no profile is", name)
	}
	var doc yaml.Node
	if err := yaml.NewDecoder(bytes.NewReader(b)).Decode(&doc); errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s: the file is empty: a profile needs at least name and modes", name)
	} else if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return &doc, nil
}

// decoder walks the YAML nodes and gathers every error with its place.
type decoder struct {
	file string
	errs []error
	at   map[place]*yaml.Node // where the keys stand that hints are about
}

// place names a key of a mode, or with no key the mode, or with no mode a key
// of the profile.
type place struct {
	mode bench.Mode
	key  string
}

func (d *decoder) fail(n *yaml.Node, format string, args ...any) {
	d.errs = append(d.errs, fmt.Errorf("%s:%d:%d: %s", d.file, n.Line, n.Column, fmt.Sprintf(format, args...)))
}

// fields visits a mapping's keys; visit returns false for a key it does not know.
func (d *decoder) fields(n *yaml.Node, what, known string, visit func(key string, v *yaml.Node) bool) {
	if n.Kind != yaml.MappingNode {
		d.fail(n, "%s must be a mapping of keys to values", what)
		return
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, v := n.Content[i], n.Content[i+1]
		if v.Kind == yaml.AliasNode {
			v = v.Alias
		}
		switch {
		case seen[k.Value]:
			d.fail(k, "%s is given twice", k.Value)
		case !visit(k.Value, v):
			d.fail(k, "unknown key %q in %s: known are %s", k.Value, what, known)
		}
		seen[k.Value] = true
	}
}

func (d *decoder) profile(n *yaml.Node) *Profile {
	p := &Profile{Window: DefaultWindow, OffFor: DefaultOffFor, Gap: DefaultGap}
	var startsAbove unit.Maybe[unit.Current]
	var modes *yaml.Node
	d.fields(n, "a profile", "name, window, window_from, starts_above, off_for, gap, modes", func(key string, v *yaml.Node) bool {
		d.at[place{key: key}] = v
		switch key {
		case "name":
			p.Name = d.text(v)
		case "window":
			p.Window = d.duration(v)
		case "window_from":
			p.WindowFromPower = d.word(v, "started", "power") == "power"
		case "starts_above":
			startsAbove = unit.Some(d.amps(v))
		case "off_for":
			p.OffFor = d.duration(v)
		case "gap":
			p.Gap = d.duration(v)
		case "modes":
			modes = v
		default:
			return false
		}
		return true
	})
	if p.Name == "" && n.Kind == yaml.MappingNode {
		d.fail(n, "name is missing: give the family a short name")
	}
	if modes == nil {
		d.fail(n, "modes is missing: a profile needs at least one mode")
		return p
	}
	d.modes(p, modes)
	p.StartsAbove = startsAbove.Or(p.standbyHigh())
	if len(d.errs) == 0 && p.StartsAbove < p.OffHigh() {
		d.fail(n, "starts_above %v lies inside the off band, which ends at %v", p.StartsAbove, p.OffHigh())
	}
	return p
}

// standbyHigh is the default for starts_above.
func (p *Profile) standbyHigh() unit.Current {
	if s := p.Spec(bench.Standby); s != nil {
		if b, ok := s.Amps.Get(); ok {
			return b.High
		}
	}
	return p.OffHigh()
}

func (d *decoder) modes(p *Profile, n *yaml.Node) {
	off := Spec{Mode: bench.Off, Label: string(bench.Off), Gap: p.Gap, Amps: unit.Some(Band{High: DefaultOffHigh})}
	known := names(bench.Modes()[1:])
	p.Modes = []Spec{off}
	d.fields(n, "modes", known, func(key string, v *yaml.Node) bool {
		m, err := bench.ParseMode(key)
		if err != nil || m == bench.Unknown {
			return false
		}
		d.at[place{mode: m}] = v
		s := d.spec(m, v, p.Gap)
		if m == bench.Off {
			s.Amps = unit.Some(s.Amps.Or(Band{High: DefaultOffHigh}))
			p.Modes[0] = s
			return true
		}
		p.Modes = append(p.Modes, s)
		return true
	})
	slices.SortStableFunc(p.Modes, func(a, b Spec) int {
		return slices.Index(bench.Modes(), a.Mode) - slices.Index(bench.Modes(), b.Mode)
	})
	for _, s := range p.Modes {
		for _, f := range s.Next {
			if p.Spec(f.Mode) == nil {
				d.fail(n, "mode %s: next names %s, which this profile does not have", s.Mode, f.Mode)
			}
		}
	}
}

func (d *decoder) spec(m bench.Mode, n *yaml.Node, gap time.Duration) Spec {
	s := Spec{Mode: m, Label: string(m), Gap: gap}
	switch m {
	case bench.Restoring:
		s.Quiet = DefaultQuiet
	case bench.RePairing:
		s.Quiet = DefaultLongQuiet
	}
	const known = "label, usb, amps, amps_with_vbus, limit_amps, gap, quiet, traffic, restarts, dwell, next"
	d.fields(n, "mode "+string(m), known, func(key string, v *yaml.Node) bool {
		d.at[place{m, key}] = v
		switch key {
		case "label":
			s.Label = d.text(v)
		case "usb":
			s.USB = d.ids(v)
		case "amps":
			s.Amps = d.band(v)
		case "amps_with_vbus":
			s.WithVBUS = d.band(v)
		case "limit_amps":
			s.Limit = d.amps(v)
		case "gap":
			s.Gap = d.duration(v)
		case "quiet":
			s.Quiet = d.duration(v)
		case "traffic":
			s.Traffic = d.rates(v)
		case "restarts":
			s.Restarts = d.word(v, "expected", "unexpected") == "expected"
		case "dwell":
			d.dwell(v, &s)
		case "next":
			s.Next = d.next(v)
		default:
			return false
		}
		return true
	})
	return s
}

func (d *decoder) dwell(n *yaml.Node, s *Spec) {
	d.fields(n, "dwell", "typical, most", func(key string, v *yaml.Node) bool {
		switch key {
		case "typical":
			s.Typical = d.duration(v)
		case "most":
			s.Most = d.duration(v)
		default:
			return false
		}
		return true
	})
	if s.Most > 0 && s.Typical > s.Most {
		d.fail(n, "dwell: typical %v is longer than most %v", s.Typical, s.Most)
	}
}

func (d *decoder) next(n *yaml.Node) (out []Follow) {
	d.fields(n, "next", names(bench.Modes()[1:]), func(key string, v *yaml.Node) bool {
		m, err := bench.ParseMode(key)
		if err != nil || m == bench.Unknown {
			return false
		}
		out = append(out, Follow{Mode: m, Within: d.duration(v)})
		return true
	})
	return out
}

func (d *decoder) scalar(n *yaml.Node, what string) (string, bool) {
	if n.Kind != yaml.ScalarNode {
		d.fail(n, "want %s, not a list or mapping", what)
		return "", false
	}
	return n.Value, true
}

func (d *decoder) text(n *yaml.Node) string {
	s, ok := d.scalar(n, "a word")
	if ok && (strings.TrimSpace(s) != s || s == "" || len(s) > 64) {
		d.fail(n, "%q: want 1 to 64 characters without space at the ends", s)
	}
	return s
}

func (d *decoder) word(n *yaml.Node, words ...string) string {
	s, ok := d.scalar(n, "a word")
	if ok && !slices.Contains(words, s) {
		d.fail(n, "%q: want %s", s, strings.Join(words, " or "))
	}
	return s
}

func (d *decoder) duration(n *yaml.Node) time.Duration {
	s, ok := d.scalar(n, "a duration such as 150ms, 20s or 12m")
	if !ok {
		return 0
	}
	v, err := time.ParseDuration(s)
	switch {
	case err != nil:
		d.fail(n, "%q is not a duration: write a number and its unit, such as 150ms, 20s, 12m or 3h", s)
	case v < time.Millisecond || v > 30*24*time.Hour:
		d.fail(n, "%s: want a duration from 1ms to 720h", s)
	}
	return v
}

func (d *decoder) amps(n *yaml.Node) unit.Current {
	s, ok := d.scalar(n, "a number of amperes")
	if !ok {
		return 0
	}
	c, err := unit.ParseAmps(s)
	if err != nil {
		d.fail(n, "%q is not a number of amperes: write 0.05 for 50 mA", s)
	} else if c < 0 || c > 100*unit.Ampere {
		d.fail(n, "%s: want a current from 0 to 100 amperes", s)
	}
	return c
}

func (d *decoder) pair(n *yaml.Node) (low, high *yaml.Node, ok bool) {
	if n.Kind != yaml.SequenceNode || len(n.Content) != 2 {
		d.fail(n, "want two numbers, [low, high]")
		return nil, nil, false
	}
	return n.Content[0], n.Content[1], true
}

func (d *decoder) band(n *yaml.Node) unit.Maybe[Band] {
	low, high, ok := d.pair(n)
	if !ok {
		return unit.Maybe[Band]{}
	}
	b := Band{d.amps(low), d.amps(high)}
	if b.Low > b.High {
		d.fail(n, "the band starts at %v and ends below it, at %v", b.Low, b.High)
	}
	return unit.Some(b)
}

func (d *decoder) rates(n *yaml.Node) unit.Maybe[Rates] {
	low, high, ok := d.pair(n)
	if !ok {
		return unit.Maybe[Rates]{}
	}
	var r Rates
	if low.Decode(&r.Low) != nil || high.Decode(&r.High) != nil || !(r.Low >= 0 && r.High >= r.Low) {
		d.fail(n, "want two numbers of URBs per second, [low, high]")
	}
	return unit.Some(r)
}

func (d *decoder) ids(n *yaml.Node) (out []bench.USBID) {
	if n.Kind != yaml.SequenceNode {
		d.fail(n, `want a list of identities, ["1209:0003"]`)
		return nil
	}
	for _, c := range n.Content {
		id, err := bench.ParseUSBID(c.Value)
		switch {
		case err != nil:
			d.fail(c, "%v", err)
		case slices.Contains(out, id):
			d.fail(c, "%v is given twice", id)
		default:
			out = append(out, id)
		}
	}
	return out
}

func names(modes []bench.Mode) string {
	var b strings.Builder
	for i, m := range modes {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(string(m))
	}
	return b.String()
}
