package profile

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"benchvigil/internal/bench"
)

// Hint is something that is allowed in a profile and worth a second look.
type Hint struct {
	Line, Column int // from 1
	Text         string
}

// Examine reads a profile like Parse and gives hints, in the order of the file.
func Examine(r io.Reader, name string) (*Profile, []Hint, error) {
	p, d, err := parse(r, name)
	if err != nil {
		return nil, nil, err
	}
	x := examiner{p: p, at: d.at}
	x.window()
	for i := range p.Modes {
		s := &p.Modes[i]
		x.unshown(s)
		x.belowStart(s)
		x.busPower(s)
		for j := i + 1; j < len(p.Modes); j++ {
			x.alike(s, &p.Modes[j])
		}
	}
	slices.SortStableFunc(x.hints, func(a, b Hint) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return p, x.hints, nil
}

type examiner struct {
	p     *Profile
	at    map[place]*yaml.Node
	hints []Hint
}

// hint notes a hint at the first of the places that the file has.
func (x *examiner) hint(text string, places ...place) {
	h := Hint{Line: 1, Column: 1, Text: text}
	for _, at := range places {
		if n := x.at[at]; n != nil {
			h.Line, h.Column = n.Line, n.Column
			break
		}
	}
	x.hints = append(x.hints, h)
}

// window: a window that starting alone can fill says little.
func (x *examiner) window() {
	s := x.p.Spec(bench.Starting)
	if s == nil || s.Most == 0 || x.p.Window >= s.Most {
		return
	}
	text := fmt.Sprintf("the window of %v is shorter than starting may last, %v", x.p.Window, s.Most)
	if x.p.WindowFromPower {
		text += ": counted from power, it can be met before the board has started"
	}
	x.hint(text, place{key: "window"}, place{bench.Starting, "dwell"})
}

// belowStart: a run begins above starts_above, so that less than it looks like
// standby where nothing on the bus says otherwise.
func (x *examiner) belowStart(s *Spec) {
	b, ok := s.Amps.Get()
	if !ok || s.Mode == bench.Off || s.Mode == bench.Standby || b.Low >= x.p.StartsAbove || len(s.USB) > 0 {
		return
	}
	x.hint(fmt.Sprintf("%s may draw %v, but a run begins above starts_above, %v: below it, and with nothing on the bus, the board counts as not started",
		s.Mode, b.Low, x.p.StartsAbove), place{s.Mode, "amps"})
}

// alike: two modes that show the same on the bus can only be told apart by
// the current.
func (x *examiner) alike(a, b *Spec) {
	if !up(a.Mode) || !up(b.Mode) {
		return
	}
	what := "show nothing on the bus"
	if len(a.USB) > 0 || len(b.USB) > 0 {
		shared := common(a.USB, b.USB)
		if shared == "" {
			return
		}
		what = "show " + shared
	}
	ba, okA := a.Amps.Get()
	bb, okB := b.Amps.Get()
	low, high := max(ba.Low, bb.Low), min(ba.High, bb.High)
	if !okA || !okB || low >= high {
		return
	}
	x.hint(fmt.Sprintf("%s and %s both %s, and their bands overlap from %v to %v: there only marks and what came before tell them apart",
		a.Mode, b.Mode, what, low, high), place{b.Mode, "amps"})
}

// common names the identities that stand in both lists.
func common(a, b []bench.USBID) string {
	var shared []string
	for _, id := range a {
		if slices.Contains(b, id) {
			shared = append(shared, id.String())
		}
	}
	if n := len(shared); n > 3 {
		return fmt.Sprintf("%s and %d more", strings.Join(shared[:2], ", "), n-2)
	}
	return strings.Join(shared, ", ")
}

// unshown: a mode that neither bus nor current can show.
func (x *examiner) unshown(s *Spec) {
	switch {
	case s.Mode == bench.Standby && x.p.StartsAbove <= x.p.OffHigh():
		x.hint(fmt.Sprintf("no reading can show standby: off ends at %v and a run begins above %v", x.p.OffHigh(), x.p.StartsAbove),
			place{key: "starts_above"}, place{mode: s.Mode})
	case !up(s.Mode):
	case len(s.USB) == 0 && !s.Amps.Known() && !s.WithVBUS.Known():
		x.hint(fmt.Sprintf("%s has neither usb nor amps: at best a mark can show it", s.Mode), place{mode: s.Mode})
	default:
		if by := x.shadow(s); by != "" {
			x.hint(fmt.Sprintf("%s shows nothing that %s does not show as well: at best a mark can show it", s.Mode, by), place{mode: s.Mode})
		}
	}
}

// shadow is a mode that will be taken in the place of s whatever bus and
// current say: running before all others, then the earlier one.
func (x *examiner) shadow(s *Spec) bench.Mode {
	b, ok := s.Amps.Get()
	if s.Mode == bench.Running || !ok {
		return ""
	}
	for i := range x.p.Modes {
		o := &x.p.Modes[i]
		before := o.Mode == bench.Running || slices.Index(bench.Modes(), o.Mode) < slices.Index(bench.Modes(), s.Mode)
		wide, known := o.Amps.Get()
		if o == s || !up(o.Mode) || !before || !known || !wide.Contains(b.Low) || !wide.Contains(b.High) {
			continue
		}
		if len(s.USB) == 0 && len(o.USB) == 0 || len(s.USB) > 0 && covers(o.USB, s.USB) {
			return o.Mode
		}
	}
	return ""
}

func covers(all, some []bench.USBID) bool {
	return !slices.ContainsFunc(some, func(id bench.USBID) bool { return !slices.Contains(all, id) })
}

// busPower: what the bus is said to take over from the supply must not be more
// than a port may give.
func (x *examiner) busPower(s *Spec) {
	alone, okA := s.Amps.Get()
	with, okW := s.WithVBUS.Get()
	if !okA || !okW {
		return
	}
	at := place{s.Mode, "amps_with_vbus"}
	if with.High > alone.High {
		x.hint(fmt.Sprintf("%s draws up to %v with bus power and %v without: bus power can only relieve the supply", s.Mode, with.High, alone.High), at)
		return
	}
	saved := alone.High - with.High
	switch most, why := portLimit(s.Mode); {
	case saved > relief(most):
		x.hint(fmt.Sprintf("bus power is said to relieve the supply by %v in %s: %s, which is %v at %v", saved, s.Mode, why, relief(most), lowestBoard), at)
	case most == HighPower3 && saved > relief(HighPower2):
		x.hint(fmt.Sprintf("bus power is said to relieve the supply by %v in %s: a USB 2.0 port gives up to 500 mA (section 7.2.1), which is %v at %v",
			saved, s.Mode, relief(HighPower2), lowestBoard), at)
	}
}

// up reports a mode of a board that is up and past starting.
func up(m bench.Mode) bool {
	return m != bench.Unknown && m != bench.Off && m != bench.Standby && m != bench.Starting
}
