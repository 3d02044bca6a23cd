package roster

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
)

// otherKinds stands for all kinds that no rule names.
const otherKinds bench.AlertKind = ""

// Check says what does not reach who one would think: alerts that no rule gives
// to anybody, which everybody hears therefore, and people who hear nothing but
// dangers.
func (r *Roster) Check() (out []string) {
	for _, station := range append(slices.Clone(r.o.Stations), "") {
		for _, severity := range bench.Severities() {
			if lost := r.lost(station, severity); lost != "" {
				out = append(out, lost)
			}
		}
	}
	// Any moment does: hours that never end cover every one.
	some := time.Unix(0, 0).UTC()
	for i := range r.o.People {
		if p := &r.o.People[i]; len(p.Quiet) > 0 {
			if _, ok := awake(p.Quiet, some); !ok {
				out = append(out, fmt.Sprintf("%s: the quiet hours never end: only dangers are told", p.Name))
			}
		}
	}
	if _, ok := awake(r.o.Quiet, some); !ok {
		out = append(out, "quiet: the hours never end: outlets without a person are told only dangers")
	}
	return out
}

// lost says which kinds of alerts of a severity at a station no rule gives to
// anybody; nothing where there are none.
func (r *Roster) lost(station string, severity bench.Severity) string {
	kinds := r.kinds()
	var of []string
	for _, k := range kinds {
		if _, ok := r.reached(&bench.Alert{Station: station, Severity: severity, Kind: k}); !ok {
			of = append(of, string(k))
		}
	}
	if len(of) == 0 {
		return ""
	}
	place := "bench"
	if station != "" {
		place = "station " + station
	}
	who := "everybody is told"
	if len(r.all()) == 0 {
		who = "there is nobody to tell"
	}
	return fmt.Sprintf("%s, %s%s: no rule names anybody; %s", place, severity, kindsOf(of, len(kinds)), who)
}

func kindsOf(of []string, all int) string {
	if len(of) == all {
		return ""
	}
	words := slices.DeleteFunc(slices.Clone(of), func(s string) bool { return s == "" })
	if len(words) < len(of) {
		words = append(words, "other kinds")
	}
	return " (" + strings.Join(words, ", ") + ")"
}

// kinds are those that rules name, and the rest.
func (r *Roster) kinds() (out []bench.AlertKind) {
	for i := range r.o.Rules {
		out = append(out, r.o.Rules[i].Kinds...)
	}
	slices.Sort(out)
	return append(slices.Compact(out), otherKinds)
}
