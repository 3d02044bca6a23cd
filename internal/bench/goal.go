package bench

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// GoalKind names what a watch waits for.
type GoalKind string

// The kinds of goals.
const (
	GoalStay   GoalKind = "stay"    // stay powered for a time
	GoalReach  GoalKind = "reach"   // reach a mode
	GoalCopy   GoalKind = "copy"    // keep powered until a person says that the copy is finished
	GoalRePair GoalKind = "re-pair" // come back to running from a re-pairing
)

// Goal is what a watch waits for, a plain value. Its text form is what people
// type and what recordings and events hold; the zero Goal is none.
type Goal struct {
	Kind   GoalKind
	Mode   Mode          // of reach
	For    time.Duration // of stay; 0: the station's window
	Within time.Duration // the longest it may take from when it was armed; 0: as long as it likes
}

// goalForms are shown to whoever wrote something else.
const goalForms = "write stay, stay 3h, reach running within 2h, copy, copy within 5h, re-pair or re-pair within 90m"

// The lengths that a goal may have.
const (
	leastGoal = time.Second
	mostGoal  = 30 * 24 * time.Hour
)

// ParseGoal reads a goal in its text form: "stay", "stay 3h", "reach running
// within 2h", "copy", "re-pair", these two also with "within 90m".
func ParseGoal(text string) (Goal, error) {
	words := joinTimes(strings.Fields(strings.ToLower(text)))
	if len(words) == 0 {
		return Goal{}, fmt.Errorf("no goal: %s", goalForms)
	}
	g, rest := Goal{Kind: GoalKind(words[0])}, words[1:]
	var err error
	switch g.Kind {
	case GoalStay:
		g.For, err = readStay(rest)
	case GoalReach:
		g.Mode, g.Within, err = readReach(rest)
	case GoalCopy, GoalRePair:
		g.Within, err = readWithin(rest)
	default:
		err = fmt.Errorf("%q is no kind of goal", words[0])
	}
	if err != nil {
		return Goal{}, fmt.Errorf("goal %q: %w: %s", text, err, goalForms)
	}
	return g, nil
}

// timeUnits are those that people write apart from their number.
var timeUnits = map[string]string{"s": "s", "m": "m", "min": "m", "h": "h"}

// joinTimes puts lengths of time together that were written apart: "3 h" is 3h,
// "1 h 30 min" is 1h30m.
func joinTimes(words []string) (out []string) {
	for _, w := range words {
		last := len(out) - 1
		if last >= 0 && isNumber(out[last]) && timeUnits[w] != "" {
			out[last] += timeUnits[w]
			last--
			w, out = out[last+1], out[:last+1]
		}
		if last >= 0 && isTime(out[last]) && isTime(w) {
			out[last] += w
			continue
		}
		out = append(out, w)
	}
	return out
}

func isNumber(text string) bool {
	_, err := strconv.ParseFloat(text, 64)
	return err == nil
}

func isTime(text string) bool {
	_, err := time.ParseDuration(text)
	return err == nil && !isNumber(text) // 0 alone is both
}

func readStay(words []string) (time.Duration, error) {
	switch len(words) {
	case 0:
		return 0, nil
	case 1:
		return readGoalTime(words[0])
	}
	return 0, fmt.Errorf("%q does not belong there", strings.Join(words[1:], " "))
}

// readReach reads a mode and its limit. Without one nobody would be told of a
// restore that ends nowhere.
func readReach(words []string) (Mode, time.Duration, error) {
	if len(words) == 0 {
		return "", 0, fmt.Errorf("which mode? there are %s", modeNames())
	}
	m := Mode(words[0])
	if !slices.Contains(Reachable(), m) {
		return "", 0, fmt.Errorf("%q is no mode to reach: there are %s", words[0], modeNames())
	}
	if len(words) == 1 {
		return "", 0, fmt.Errorf("how long may it take?")
	}
	within, err := readWithin(words[1:])
	return m, within, err
}

func readWithin(words []string) (time.Duration, error) {
	switch {
	case len(words) == 0:
		return 0, nil
	case words[0] != "within":
		return 0, fmt.Errorf("%q does not belong there", words[0])
	case len(words) == 1:
		return 0, fmt.Errorf("within what time?")
	case len(words) > 2:
		return 0, fmt.Errorf("%q does not belong there", strings.Join(words[2:], " "))
	}
	return readGoalTime(words[1])
}

// readGoalTime reads a length, to the millisecond.
func readGoalTime(text string) (time.Duration, error) {
	d, err := time.ParseDuration(text)
	d = d.Round(time.Millisecond)
	switch {
	case isNumber(text):
		return 0, fmt.Errorf("%s has no unit: write %sm or %sh", text, text, text)
	case err != nil:
		return 0, fmt.Errorf("%q is no length of time such as 210s, 90m or 3h", text)
	case d < leastGoal || d > mostGoal:
		return 0, fmt.Errorf("%s: want %s to %s", text, Length(leastGoal), Length(mostGoal))
	}
	return d, nil
}

// Reachable lists the modes that can be a goal: those of a board that is up.
func Reachable() []Mode {
	return slices.DeleteFunc(Modes(), func(m Mode) bool { return m == Unknown || m == Off || m == Standby })
}

func modeNames() string {
	var names []string
	for _, m := range Reachable() {
		names = append(names, string(m))
	}
	return strings.Join(names, ", ")
}

// String prints the goal in its text form.
func (g Goal) String() string {
	text := string(g.Kind)
	if g.Mode != "" {
		text += " " + string(g.Mode)
	}
	if g.For != 0 {
		text += " " + Length(g.For)
	}
	if g.Within != 0 {
		text += " within " + Length(g.Within)
	}
	return text
}

// Length prints a length without its trailing zeros, "3h" for "3h0m0s".
func Length(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// InWords prints a length of time as people say it: "42 s", "3 min 05 s",
// "2 h 05 min", "3 h", "9 days".
func InWords(d time.Duration) string {
	d = max(d, 0)
	switch {
	case d > 0 && d < 10*time.Second && d%time.Second != 0:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d < time.Minute:
		return fmt.Sprintf("%d s", d/time.Second)
	case d < time.Hour:
		return twoParts(d, time.Minute, "min", "s")
	case d < 48*time.Hour:
		return twoParts(d, time.Hour, "h", "min")
	}
	return fmt.Sprintf("%d days", d/(24*time.Hour))
}

// twoParts prints a length in a unit and its sixtieth, which is left out where it is
// none.
func twoParts(d, unit time.Duration, name, sixtieth string) string {
	whole, rest := d/unit, d%unit/(unit/60)
	if rest == 0 {
		return fmt.Sprintf("%d %s", whole, name)
	}
	return fmt.Sprintf("%d %s %02d %s", whole, name, rest, sixtieth)
}
