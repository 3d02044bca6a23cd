package roster

import (
	"slices"

	"benchvigil/internal/bench"
)

// receiver is a person by one outlet, or an outlet as a whole, from some step of
// the escalation on.
type receiver struct {
	person, outlet string
	stage          int
	quiet          []Span
}

// receivers are those who hear of an alert, each once, at the first step that
// reaches them. If the rules reach nobody, it is everybody there is.
func (r *Roster) receivers(a *bench.Alert) []receiver {
	names, reached := r.reached(a)
	if !reached {
		names = [][]string{r.all()}
	}
	var out []receiver
	for stage, of := range names {
		out = r.add(out, stage, of)
	}
	return out
}

// reached are the names that the rules give for an alert, by step of the
// escalation.
func (r *Roster) reached(a *bench.Alert) (names [][]string, ok bool) {
	names = [][]string{slices.Clone(r.o.Everybody)}
	for i := range r.o.Rules {
		rule := &r.o.Rules[i]
		if !rule.fits(a) {
			continue
		}
		names[0] = append(names[0], rule.Tell...)
		for i, then := range rule.Then {
			if i+1 == len(names) {
				names = append(names, nil)
			}
			names[i+1] = append(names[i+1], then...)
		}
	}
	return names, len(names[0]) > 0
}

// all are all people, and the outlets that nobody has.
func (r *Roster) all() (out []string) {
	owned := map[string]bool{}
	for i := range r.o.People {
		out = append(out, r.o.People[i].Name)
		for _, o := range r.o.People[i].Outlets {
			owned[o] = true
		}
	}
	for _, o := range r.o.Outlets {
		if !owned[o] {
			out = append(out, o)
		}
	}
	return out
}

// add takes up the names of one step. Outlets come first: who has an outlet that
// is told as a whole has heard it there.
func (r *Roster) add(out []receiver, stage int, names []string) []receiver {
	for _, name := range names {
		if r.people[name] == nil && !has(out, "", name) {
			out = append(out, receiver{outlet: name, stage: stage, quiet: r.o.Quiet})
		}
	}
	for _, name := range names {
		p := r.people[name]
		if p == nil {
			continue
		}
		for _, outlet := range p.Outlets {
			if !has(out, "", outlet) && !has(out, name, outlet) {
				out = append(out, receiver{person: name, outlet: outlet, stage: stage, quiet: p.Quiet})
			}
		}
	}
	return out
}

func has(list []receiver, person, outlet string) bool {
	return slices.ContainsFunc(list, func(x receiver) bool { return x.person == person && x.outlet == outlet })
}

// fits reports an alert that a rule is about: of one of its stations, or one that
// took such a station along.
func (rule *Rule) fits(a *bench.Alert) bool {
	station := a.Station
	if station == "" {
		station = theBench
	}
	stations := append([]string{station}, a.Others...)
	return (len(rule.Stations) == 0 || slices.ContainsFunc(stations, func(s string) bool { return slices.Contains(rule.Stations, s) })) &&
		(len(rule.Severities) == 0 || slices.Contains(rule.Severities, a.Severity)) &&
		(len(rule.Kinds) == 0 || slices.Contains(rule.Kinds, a.Kind))
}
