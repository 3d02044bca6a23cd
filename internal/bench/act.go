package bench

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// mostBy is the longest name of a person, in characters.
const mostBy = 64

// Tidy fills in how long a shelving lasts, and drops the space around names.
func (a AlertAct) Tidy() AlertAct {
	a.Key, a.By = strings.TrimSpace(a.Key), strings.TrimSpace(a.By)
	if a.Do == DeedShelve && a.For == 0 {
		a.For = DefaultShelve
	}
	return a
}

// Check says what is wrong with an act, whatever stands.
func (a AlertAct) Check() error {
	switch {
	case !slices.Contains(AlertDeeds(), a.Do):
		return fmt.Errorf("%q is nothing that can be done about an alert: there are %s", a.Do, deedNames())
	case a.Key == "":
		return errors.New("no alert is named")
	case a.Do != DeedShelve && a.For != 0:
		return fmt.Errorf("only %s lasts for a time", DeedShelve)
	case a.For < 0 || a.For > MostShelve || a.Do == DeedShelve && a.For < time.Second:
		return fmt.Errorf("shelved for %v: want 1s to %v", a.For, MostShelve)
	}
	return CheckBy(a.By)
}

// CheckBy says what is wrong with the name of whoever acts. It may be empty.
func CheckBy(by string) error {
	if utf8.RuneCountInString(by) > mostBy || strings.ContainsFunc(by, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return fmt.Errorf("a name is up to %d printable characters", mostBy)
	}
	return nil
}

func deedNames() string {
	var names []string
	for _, d := range AlertDeeds() {
		names = append(names, string(d))
	}
	return strings.Join(names, ", ")
}
