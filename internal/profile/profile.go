// Package profile owns device families: how a family shows itself on USB and
// by its current in each mode, and which times it keeps. It reads and checks
// the YAML form and answers questions about bands and identities. It knows
// nothing of observations or of what a station is doing now.
package profile

import (
	"slices"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Defaults for what a profile leaves out. A mode that it leaves out does not
// exist for the family; only off always does.
const (
	DefaultWindow    = 210 * time.Second // timers of about three minutes plus a margin: common practice
	DefaultOffFor    = 150 * time.Millisecond
	DefaultGap       = 5 * time.Second
	DefaultOffHigh   = 2 * unit.Milliampere
	DefaultQuiet     = 2 * time.Minute  // restoring
	DefaultLongQuiet = 20 * time.Minute // re-pairing, silent by nature
)

// Profile is one device family. It is immutable after Parse.
type Profile struct {
	Name            string
	Window          time.Duration // how long a board must stay up for the next step
	WindowFromPower bool          // count the window from power, not from the end of starting
	StartsAbove     unit.Current  // a run starts above this
	OffFor          time.Duration // how long the current must sit in the off band to be a drop
	Gap             time.Duration // absence from the bus allowed where a mode names none
	Modes           []Spec        // in the order of bench.Modes, Off always first
}

// Spec is how one mode shows itself.
type Spec struct {
	Mode     bench.Mode
	Label    string        // the family's own word, or the mode's name
	USB      []bench.USBID // identities the device shows in this mode; none: the bus tells nothing
	Amps     unit.Maybe[Band]
	WithVBUS unit.Maybe[Band] // the band that holds while USB bus power feeds the board too
	Gap      time.Duration    // longest absence from the bus within the mode
	Quiet    time.Duration    // longest time without any movement; 0: the mode cannot stall
	Traffic  unit.Maybe[Rates]
	Limit    unit.Current  // a current above it is told; 0: any is allowed
	Restarts bool          // planned restarts are part of the mode
	Typical  time.Duration // median dwell, 0 unknown
	Most     time.Duration // longest dwell, 0 unlimited
	Next     []Follow
}

// Band is a range of currents, both ends included: the 5th and 95th percentile.
type Band struct{ Low, High unit.Current }

// Contains reports whether c lies in the band.
func (b Band) Contains(c unit.Current) bool { return b.Low <= c && c <= b.High }

// Distance is how far c lies outside the band, 0 inside.
func (b Band) Distance(c unit.Current) unit.Current { return max(b.Low-c, c-b.High, 0) }

// Rates is a usual range of URBs per second.
type Rates struct{ Low, High float64 }

// Follow says that Mode usually follows, after an absence of at most Within.
type Follow struct {
	Mode   bench.Mode
	Within time.Duration
}

// Spec returns how m shows itself, or nil where the family has no such mode.
func (p *Profile) Spec(m bench.Mode) *Spec {
	for i := range p.Modes {
		if p.Modes[i].Mode == m {
			return &p.Modes[i]
		}
	}
	return nil
}

// Labels lists the family's words for the modes in which it shows an identity.
func (p *Profile) Labels(id bench.USBID) (out []string) {
	for _, m := range p.Modes {
		if slices.Contains(m.USB, id) {
			out = append(out, m.Label)
		}
	}
	return out
}

// Label is the family's word for m.
func (p *Profile) Label(m bench.Mode) string {
	if s := p.Spec(m); s != nil {
		return s.Label
	}
	return string(m)
}

// OffHigh is the upper edge of the off band.
func (p *Profile) OffHigh() unit.Current {
	return p.Modes[0].Amps.Or(Band{High: DefaultOffHigh}).High
}

// Band is the current band of the mode on the given power path.
func (s *Spec) Band(h bench.Hookup) (Band, bool) {
	if h.Path == bench.FromBattery {
		return Band{}, false
	}
	if h.VBUS && s.WithVBUS.Known() {
		return s.WithVBUS.Get()
	}
	return s.Amps.Get()
}

// Absence is the longest absence from the bus that still belongs to the mode
// or to what usually follows it.
func (s *Spec) Absence() time.Duration {
	d := s.Gap
	for _, n := range s.Next {
		d = max(d, n.Within)
	}
	return d
}
