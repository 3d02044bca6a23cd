package roster

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
)

// What holds unless the options say otherwise.
const (
	DefaultRepeat   = 5 * time.Minute
	DefaultEscalate = 10 * time.Minute
	DefaultTimes    = 8
	DefaultFresh    = 12 * time.Hour
)

// Options say who is there and who hears of what.
type Options struct {
	Bench    string         // name of the bench, for the messages
	Zone     *time.Location // of quiet hours; nil: UTC
	Stations []string       // IDs of the stations
	Outlets  []string       // names of the outlets

	People    []Person
	Rules     []Rule   // all that fit count
	Everybody []string // people or outlets that hear of everything; of dangers and in their waking hours, as always
	Quiet     []Span   // of outlets that are told without a person

	Repeat   time.Duration // of a danger that nobody acknowledges; 0: DefaultRepeat; negative: never
	Times    int           // most repeats to one receiver; 0: DefaultTimes
	Escalate time.Duration // between the steps of Then; 0: DefaultEscalate
	Fresh    time.Duration // how old news may be at the end of quiet hours; 0: DefaultFresh
}

// Person is somebody who can be told.
type Person struct {
	Name    string
	Outlets []string
	Quiet   []Span // in which only dangers are told
}

// Rule says who hears of some alerts. An empty list is any.
type Rule struct {
	Stations   []string // IDs; "bench" for what is of no station
	Severities []bench.Severity
	Kinds      []bench.AlertKind
	Tell       []string   // people or outlets
	Then       [][]string // of a danger that nobody acknowledges: who hears of it after one Escalate, after two ...
}

// theBench is the name of what is of no station, in rules.
const theBench = "bench"

// Roster decides who is told.
type Roster struct {
	o      Options
	people map[string]*Person
}

// New checks the options. An error names everything that is wrong with them.
func New(o Options) (*Roster, error) {
	o.defaults()
	r := &Roster{o: o, people: map[string]*Person{}}
	for i := range o.People {
		r.people[o.People[i].Name] = &o.People[i]
	}
	if faults := slices.Concat(r.checkTimes(), r.checkPeople(), r.checkRules()); len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	return r, nil
}

func (o *Options) defaults() {
	set(&o.Repeat, DefaultRepeat)
	set(&o.Escalate, DefaultEscalate)
	set(&o.Fresh, DefaultFresh)
	if o.Times == 0 {
		o.Times = DefaultTimes
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
}

func set(d *time.Duration, standard time.Duration) {
	if *d == 0 {
		*d = standard
	}
}

func (r *Roster) checkTimes() (out []error) {
	const least = time.Minute
	o := &r.o
	if o.Repeat > 0 && o.Repeat < least {
		out = append(out, fmt.Errorf("repeat %v: want at least %v", o.Repeat, least))
	}
	if o.Escalate < least {
		out = append(out, fmt.Errorf("escalate %v: want at least %v", o.Escalate, least))
	}
	if o.Fresh < 0 {
		out = append(out, fmt.Errorf("fresh %v: want a time", o.Fresh))
	}
	if o.Times < 0 || o.Times > 100 {
		out = append(out, fmt.Errorf("%d repeats: want 1 to 100", o.Times))
	}
	return append(out, checkSpans("quiet", o.Quiet)...)
}

func checkSpans(where string, spans []Span) (out []error) {
	for _, s := range spans {
		if err := s.check(); err != nil {
			out = append(out, fmt.Errorf("%s: %w", where, err))
		}
	}
	return out
}

func (r *Roster) checkPeople() (out []error) {
	seen := map[string]bool{}
	for i := range r.o.People {
		p := &r.o.People[i]
		where := fmt.Sprintf("person %q", p.Name)
		switch {
		case p.Name == "":
			out = append(out, fmt.Errorf("person %d has no name", i+1))
		case seen[p.Name]:
			out = append(out, fmt.Errorf("%s is there twice", where))
		case slices.Contains(r.o.Outlets, p.Name):
			out = append(out, fmt.Errorf("%s is the name of an outlet too: give one of them another", where))
		}
		seen[p.Name] = true
		if len(p.Outlets) == 0 {
			out = append(out, fmt.Errorf("%s has no outlet, and can be told nothing: want one of %s", where, list(r.o.Outlets)))
		}
		for _, name := range p.Outlets {
			if !slices.Contains(r.o.Outlets, name) {
				out = append(out, fmt.Errorf("%s: there is no outlet %q: want one of %s", where, name, list(r.o.Outlets)))
			}
		}
		out = append(out, checkSpans(where+": quiet", p.Quiet)...)
	}
	return out
}

func (r *Roster) checkRules() []error {
	out := r.checkNames("everybody", r.o.Everybody)
	for i := range r.o.Rules {
		rule := &r.o.Rules[i]
		where := fmt.Sprintf("rule %d", i+1)
		if len(rule.Tell) == 0 {
			out = append(out, fmt.Errorf("%s tells nobody: name people or outlets", where))
		}
		out = append(out, r.checkNames(where, rule.Tell)...)
		for _, names := range rule.Then {
			out = append(out, r.checkNames(where+", then", names)...)
		}
		for _, s := range rule.Severities {
			if !slices.Contains(bench.Severities(), s) {
				out = append(out, fmt.Errorf("%s: %q is no severity: want danger, caution or notice", where, s))
			}
		}
		for _, s := range rule.Stations {
			if s != theBench && !slices.Contains(r.o.Stations, s) {
				out = append(out, fmt.Errorf("%s: there is no station %q: want %s, or %s", where, s, theBench, list(r.o.Stations)))
			}
		}
	}
	return out
}

func (r *Roster) checkNames(where string, names []string) (out []error) {
	for _, name := range names {
		if r.people[name] == nil && !slices.Contains(r.o.Outlets, name) {
			known := slices.Clone(r.o.Outlets)
			for i := range r.o.People {
				known = append(known, r.o.People[i].Name)
			}
			out = append(out, fmt.Errorf("%s: %q is neither a person nor an outlet: there are %s", where, name, list(known)))
		}
	}
	return out
}

func list(names []string) string {
	if len(names) == 0 {
		return "(none)"
	}
	return strings.Join(names, ", ")
}
