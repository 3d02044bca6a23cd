package checkup

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
)

// Print writes the table for people: aligned plain text, verdicts as words.
func Print(w io.Writer, results []Result) error {
	wide := 0
	for _, r := range results {
		wide = max(wide, len(r.Check))
	}
	var b strings.Builder
	for _, r := range results {
		indent := strings.Repeat(" ", len(Attention)+2+wide+2)
		found := strings.ReplaceAll(r.Found, "\n", "\n"+indent)
		fmt.Fprintf(&b, "%-*s  %-*s  %s\n", len(Attention), r.Verdict, wide, r.Check, found)
		if r.Do != "" {
			fmt.Fprintf(&b, "%s-> %s\n", indent, r.Do)
		}
	}
	b.WriteString(summary(results) + "\n")
	_, err := io.WriteString(w, b.String())
	return err
}

// PrintJSON writes the table as one JSON array.
func PrintJSON(w io.Writer, results []Result) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(results)
}

func summary(results []Result) string {
	n := map[Verdict]int{}
	for _, r := range results {
		n[r.Verdict]++
	}
	return fmt.Sprintf("%s: %d ok, %d attention, %d failed, %d unknown", count(len(results), "check"), n[OK], n[Attention], n[Failed], n[Unknown])
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
