package app

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"

	"benchvigil/internal/bench"
	"benchvigil/internal/signature"
	"benchvigil/internal/unit"
)

// shownMatches is how many references people are told of each start.
const shownMatches = 5

// print shows the starts, as people read them or as JSON, with what they are
// compared with or, where that is nil, with their steps.
func (o TraceOptions) print(starts []signature.Start, compare func(signature.Start) compared) error {
	var b bytes.Buffer
	if o.JSON {
		var all []startJSON
		for _, s := range starts {
			all = append(all, newStartJSON(s, compare))
		}
		if err := json.NewEncoder(&b).Encode(all); err != nil {
			return fmt.Errorf("print the starts: %w", err)
		}
	} else {
		for i, s := range starts {
			if i > 0 {
				b.WriteByte('\n')
			}
			printStart(&b, s, compare)
		}
	}
	_, err := o.Out.Write(b.Bytes())
	return err
}

//nolint:errcheck // b is in memory
func printStart(b *bytes.Buffer, s signature.Start, compare func(signature.Start) compared) {
	fmt.Fprintf(b, "%s run %d, %s: ", s.Station, s.Run, stamp(s.At))
	switch {
	case s.Err != nil:
		fmt.Fprintf(b, "no trace: %v\n", s.Err)
	case compare == nil:
		fmt.Fprintln(b, howItEnded(s))
		printSteps(b, s.Trace.Steps())
	default:
		fmt.Fprintln(b, howItEnded(s))
		printMatches(b, compare(s))
	}
}

func printSteps(b io.Writer, steps []signature.Step) {
	fmt.Fprintf(b, "%9s%9s%10s%9s\n", "FROM", "FOR", "LEVEL", "VARIES") //nolint:errcheck // b is in memory
	for _, s := range steps {
		fmt.Fprintf(b, "%7.1f s%7.1f s%7.0f mA%6s mA\n", s.From.Seconds(), s.For.Seconds(), s.Level.Amps()*1e3, fmt.Sprintf("±%.0f", s.Varies.Amps()*1e3)) //nolint:errcheck // the same
	}
}

//nolint:errcheck // b is in memory
func printMatches(b *bytes.Buffer, c compared) {
	for i, m := range c.matches {
		if i == shownMatches {
			fmt.Fprintf(b, "  and %d more, further away\n", len(c.matches)-i)
			break
		}
		word := "then"
		if i == 0 {
			word = "nearest"
		}
		fmt.Fprintf(b, "  %s: %s (distance %.3f A), %s\n", word, called(m.Reference), m.Distance.Amps(), wherePart(m))
	}
	if c.other > 0 {
		fmt.Fprintf(b, "  passed over: %d of starts where USB bus power fed the board otherwise than here\n", c.other)
	}
}

func wherePart(m signature.Match) string {
	p, ok := m.Parts.Get()
	if !ok {
		return "goes with it to the end"
	}
	return fmt.Sprintf("parts from it at %.1f s: here %.0f mA, there %.0f mA", p.At.Seconds(), p.Here.Amps()*1e3, p.There.Amps()*1e3)
}

// startJSON is a start for programs. Currents are amperes, times seconds.
type startJSON struct {
	Station    string           `json:"station"`
	Run        int              `json:"run"`
	At         string           `json:"at"`
	Error      string           `json:"error,omitempty"` // why there is no trace
	Ended      signature.Ending `json:"ended,omitempty"`
	Mode       bench.Mode       `json:"mode,omitempty"`
	AfterS     float64          `json:"after_s"`
	Gap        bool             `json:"gap,omitempty"`
	Steps      []stepJSON       `json:"steps"`
	Matches    []matchJSON      `json:"matches,omitempty"`
	PassedOver int              `json:"passed_over,omitempty"`
}

type stepJSON struct {
	FromS  float64      `json:"from_s"`
	ForS   float64      `json:"for_s"`
	Level  unit.Current `json:"level"`
	Varies unit.Current `json:"varies"`
}

type matchJSON struct {
	Kind     signature.Kind `json:"kind"`
	Name     string         `json:"name"`
	Station  string         `json:"station"`
	Taken    string         `json:"taken"`
	Distance unit.Current   `json:"distance"`
	Parts    *partsJSON     `json:"parts,omitempty"`
}

type partsJSON struct {
	AtS   float64      `json:"at_s"`
	Here  unit.Current `json:"here"`
	There unit.Current `json:"there"`
}

func newStartJSON(s signature.Start, compare func(signature.Start) compared) startJSON {
	j := startJSON{Station: s.Station, Run: s.Run, At: stamp(s.At), Gap: s.Gap, Steps: []stepJSON{}}
	if s.Err != nil {
		j.Error = s.Err.Error()
		return j
	}
	j.Ended, j.Mode, j.AfterS = s.Trace.End, s.Trace.Mode, s.Trace.After.Seconds()
	for _, st := range s.Trace.Steps() {
		j.Steps = append(j.Steps, stepJSON{st.From.Seconds(), st.For.Seconds(), st.Level, st.Varies})
	}
	if compare == nil {
		return j
	}
	c := compare(s)
	j.PassedOver = c.other
	for _, m := range c.matches {
		j.Matches = append(j.Matches, newMatchJSON(m))
	}
	return j
}

func newMatchJSON(m signature.Match) matchJSON {
	r := m.Reference
	j := matchJSON{Kind: r.Kind, Name: r.Name, Station: r.Station, Taken: stamp(r.Taken), Distance: m.Distance}
	if p, ok := m.Parts.Get(); ok {
		j.Parts = &partsJSON{p.At.Seconds(), p.Here, p.There}
	}
	return j
}
