package chart

import (
	"time"

	"benchvigil/internal/signature"
	"benchvigil/internal/unit"
)

// SignatureOf is a start beside the references that it was compared with.
func SignatureOf(s signature.Start, matches []signature.Match) Signature {
	t := s.Trace
	out := Signature{
		Station: s.Station, At: s.At, Ended: string(t.End), Mode: string(t.Mode), AfterS: t.After.Seconds(), Gap: s.Gap,
		Current: lineOf(t), Steps: []StartStep{}, References: []Reference{},
	}
	for _, st := range t.Steps() {
		out.Steps = append(out.Steps, StartStep{FromS: st.From.Seconds(), ForS: st.For.Seconds(), Level: micro(st.Level), Varies: micro(st.Varies)})
	}
	for _, m := range matches {
		out.References = append(out.References, referenceOf(m))
	}
	return out
}

func referenceOf(m signature.Match) Reference {
	r := Reference{
		Kind: string(m.Reference.Kind), Name: m.Reference.Name, Station: m.Reference.Station, Taken: m.Reference.Taken,
		Ended: string(m.Reference.Trace.End), Current: lineOf(m.Reference.Trace), Distance: micro(m.Distance),
	}
	if p, parts := m.Parts.Get(); parts {
		r.Parts = &Parting{AtS: p.At.Seconds(), Here: micro(p.Here), There: micro(p.There)}
	}
	return r
}

// lineOf is a trace as a channel, each level at its beginning.
func lineOf(t signature.Trace) Channel {
	c := NewLine(Amps).channel(len(t.Levels))
	for i, l := range t.Levels {
		c.T = append(c.T, int64(time.Duration(i)*t.Every/time.Millisecond))
		c.V = append(c.V, micro(l))
	}
	return c
}

func micro(c unit.Current) int64 { return int64(c / unit.Microampere) }
