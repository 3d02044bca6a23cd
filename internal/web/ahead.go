package web

import (
	"strings"

	"benchvigil/internal/bench"
)

// What can be expected: how long the work still takes, whether the board will
// stay up, and what its current says.

func (t *Tile) showAhead(s *bench.Snapshot, c clock) {
	if n := s.Needs; n != nil {
		median, known := n.Median.Get()
		most, limited := n.Most.Get()
		if known && limited {
			t.Expect = expected(s.At, median, most, c)
		}
	}
	var said []string
	if needs := s.Needs.String(); needs != "" {
		said = append(said, capital(needs))
	}
	if odds := s.Odds.String(); odds != "" {
		said = append(said, capital(odds))
	}
	t.Ahead = strings.Join(said, ". ")
}

// current says what is wrong with the current.
func current(s *bench.Snapshot, c clock) (out []Trouble) {
	v, flows := s.Current, quantity(s.Reading.Amps.Get())
	if flows != "" && s.SupplyLost.IsZero() {
		flows = ": " + flows + " now"
	} else {
		flows = ""
	}
	switch {
	case v.High.IsZero():
	case v.HighKind == bench.Leak:
		out = append(out, Trouble{Abnormal, "Leak", "Before it is started it draws more than a healthy board, since " + c.at(v.High) + flows + "."})
	default:
		out = append(out, Trouble{Abnormal, "High current", "Above the limit of this mode since " + c.at(v.High) + flows + "."})
	}
	if !v.Collapsed.IsZero() {
		out = append(out, Trouble{Abnormal, "Volts sagged", "The supply sat at its current limit and the volts sagged at " + c.at(v.Collapsed) + flows + "."})
	}
	if !v.Drifting.IsZero() {
		out = append(out, Trouble{Abnormal, "Drifting", "The current has left its own level, told at " + c.at(v.Drifting) + flows + "."})
	}
	return out
}
