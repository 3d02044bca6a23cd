package life

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
)

// What a person's deed can be refused for. Anything else is a mistake in the
// deed itself.
var (
	ErrUnknown = bench.ErrUnknownAlert
	ErrRefused = bench.ErrRefusedAct // the alert is not in a state for it
)

// Act does what a person wants done. An alert is named by its key or its point;
// acknowledge also takes a station ("bench": what is of no station), and means
// all of it that can be acknowledged. A shelving without a time lasts
// bench.DefaultShelve; shelving what is shelved sets a new time.
func (b *Book) Act(a bench.AlertAct, at time.Time) ([]bench.Event, error) {
	if err := checkAct(&a); err != nil {
		return nil, err
	}
	if e := b.find(a.Key); e != nil {
		return b.actOn(e, a, at)
	}
	if a.Do == bench.DeedAcknowledge && b.knows(a.Key) {
		return b.acknowledgeAll(a, at)
	}
	return nil, b.unknown(a.Key)
}

func checkAct(a *bench.AlertAct) error {
	switch {
	case !slices.Contains(bench.AlertDeeds(), a.Do):
		return fmt.Errorf("%q is nothing to do about an alert: want one of %s", a.Do, join(bench.AlertDeeds()))
	case a.Key == "":
		return fmt.Errorf("%s: which alert? Name its key or its point", a.Do)
	case a.Do != bench.DeedShelve && a.For != 0:
		return fmt.Errorf("%s for %v: only shelving has a time", a.Do, a.For)
	case a.For < 0 || a.For > bench.MostShelve:
		return fmt.Errorf("shelve for %v: want up to %v", a.For, bench.MostShelve)
	case a.For > 0 && a.For < time.Second:
		return fmt.Errorf("shelve for %v: want at least 1s", a.For)
	}
	return nil
}

func (b *Book) actOn(e *entry, a bench.AlertAct, at time.Time) ([]bench.Event, error) {
	in := input(a.Do)
	if s := table[e.view.State][in]; s.refusal != "" {
		return nil, fmt.Errorf("%w: %s %s: %s%s", ErrRefused, a.Do, a.Key, s.refusal, history(&e.view))
	}
	if in == shelve {
		if a.For == 0 {
			a.For = bench.DefaultShelve
		}
		e.view.Until = e.moment(at).Add(a.For)
	}
	return b.step(e, in, at, a.By), nil
}

// history says who brought the alert to where it is.
func history(v *bench.AlertView) string {
	s := ""
	if v.By != "" {
		s += ", by " + v.By
	}
	if !v.Until.IsZero() {
		s += ", until " + v.Until.Format(time.DateTime)
	}
	if s == "" {
		return ""
	}
	return " (since " + v.Changed.Format(time.DateTime) + s + ")"
}

// acknowledgeAll acknowledges what can be at a station.
func (b *Book) acknowledgeAll(a bench.AlertAct, at time.Time) ([]bench.Event, error) {
	out := b.each(func(e *entry) []bench.Event {
		if placeOf(&e.view) != a.Key {
			return nil
		}
		return b.step(e, acknowledge, at, a.By)
	})
	if out == nil {
		return nil, fmt.Errorf("%w: acknowledge %s: nothing there is left to acknowledge", ErrRefused, a.Key)
	}
	return out, nil
}

// knows reports a station at which an alert stood.
func (b *Book) knows(station string) bool {
	for _, e := range b.points {
		if placeOf(&e.view) == station {
			return true
		}
	}
	return false
}

func placeOf(v *bench.AlertView) string {
	if v.Station == "" {
		return "bench"
	}
	return v.Station
}

// unknown says what there is instead.
func (b *Book) unknown(key string) error {
	if last := b.after(key); last != nil {
		return fmt.Errorf("%w: %s is over and done: the last one at that point is %s (%s)", ErrUnknown, key, last.Key, last.State)
	}
	views := b.Views()
	if len(views) == 0 {
		return fmt.Errorf("%w: %s: there is none now", ErrUnknown, key)
	}
	const few = 5
	var keys []string
	for _, v := range views[:min(few, len(views))] {
		keys = append(keys, v.Key)
	}
	if more := len(views) - few; more > 0 {
		keys = append(keys, fmt.Sprintf("%d more", more))
	}
	return fmt.Errorf("%w: %s: there are %s", ErrUnknown, key, join(keys))
}

// after is the last alert at the point of an old key.
func (b *Book) after(key string) (last *bench.AlertView) {
	longest := 0
	for p, e := range b.points {
		if s := p.String() + "."; strings.HasPrefix(key, s) && len(s) > longest {
			longest, last = len(s), &e.view
		}
	}
	return last
}

func join[S ~string](list []S) string {
	words := make([]string, len(list))
	for i, s := range list {
		words[i] = string(s)
	}
	return strings.Join(words, ", ")
}
