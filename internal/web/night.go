package web

import (
	"fmt"
	"strings"
	"time"
)

// nightTime is from which hour to which the wall is dimmed, by the clock of the
// bench. From an hour to the same one is never.
type nightTime struct{ from, to int }

// usualNight is where nobody says otherwise.
var usualNight = nightTime{22, 6}

// parseNight reads "on", "off" or two hours, "21-7"; "" is the usual night.
func parseNight(s string) (nightTime, error) {
	var n nightTime
	switch s {
	case "":
		return usualNight, nil
	case "on":
		return nightTime{0, 24}, nil
	case "off":
		return nightTime{}, nil
	}
	from, to, _ := strings.Cut(s, "-")
	for part, at := range map[*int]string{&n.from: from, &n.to: to} {
		hour, err := time.Parse("15", at)
		if err != nil {
			return usualNight, fmt.Errorf("night=%.20s is not understood: write on, off, or two hours such as 22-6", s)
		}
		*part = hour.Hour()
	}
	return n, nil
}

func (n nightTime) has(hour int) bool {
	if n.from <= n.to {
		return n.from <= hour && hour < n.to
	}
	return n.from <= hour || hour < n.to
}

// shifts are the places that the picture takes, one a minute, so that nothing
// burns in. Each is one step from the one before.
const shifts = 8

// shiftAt is the place of a minute.
func shiftAt(t time.Time) int { return int((t.Unix()/60%shifts + shifts) % shifts) }
