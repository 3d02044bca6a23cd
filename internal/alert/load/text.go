package load

import (
	"fmt"
	"strings"
	"text/tabwriter"
	"time"

	"benchvigil/internal/bench"
)

// Text is the report for a terminal.
func (r *Report) Text() string {
	var b strings.Builder
	people := "1 person"
	if r.People != 1 {
		people = fmt.Sprintf("%d people", r.People)
	}
	_, _ = fmt.Fprintf(&b, "%s to %s, %s: %d rings at %d points\n", r.From.Format(time.DateTime), r.To.Format(time.DateTime), people, r.Rings, r.Points)
	if r.Younger {
		_, _ = fmt.Fprintf(&b, "that is since the ledger began, %s ago: it is not as old as was asked\n", bench.InWords(r.To.Sub(r.From)))
	}
	b.WriteByte('\n')
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	_, _ = fmt.Fprintln(w, "measure\tfound\ttarget\tset by\tverdict")
	for _, m := range r.Measures {
		_, _ = fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", m.Name, m.Value, m.Target, m.Source, m.Verdict)
	}
	if len(r.Frequent) > 0 {
		_, _ = fmt.Fprintln(w, "\nmost frequent\trings\tof all\tshort\tin a minute")
	}
	for _, s := range r.Frequent {
		_, _ = fmt.Fprintf(w, "%s\t%d\t%s\t%d\t%d\n", s.Point, s.Rings, percent(s.Share), s.Fleeting, s.InMinute)
	}
	_ = w.Flush() // a strings.Builder takes everything
	if len(r.Hints) > 0 {
		b.WriteString("\nwhat to change\n")
	}
	for _, h := range r.Hints {
		b.WriteString("- " + h + "\n")
	}
	return b.String()
}
