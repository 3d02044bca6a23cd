package alert

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
)

// Missed is an alert that could not be told in time, because the outlet was
// down, and is told by a later message that says more.
type Missed struct {
	Key      string         `json:"key"` // of the alert
	Severity bench.Severity `json:"severity"`
	Title    string         `json:"title"`
	Since    time.Time      `json:"since"`
	Over     time.Time      `json:"over,omitzero"` // zero: it stood when last heard of
	By       string         `json:"by,omitempty"`  // who acknowledged it
}

// mostMissed is how many points the second line names.
const mostMissed = 4

// missedText says what is told late, for the second line: the points, each
// with how often and when. It is empty where nothing was missed.
func (m *Message) missedText() string {
	var points []string
	byPoint := map[string][]Missed{}
	for _, x := range m.Missed {
		p := x.Key[:max(strings.LastIndex(x.Key, "."), 0)]
		if byPoint[p] == nil {
			points = append(points, p)
		}
		byPoint[p] = append(byPoint[p], x)
	}
	if len(points) == 0 {
		return ""
	}
	said := make([]string, 0, mostMissed+1)
	for _, p := range points[:min(len(points), mostMissed)] {
		said = append(said, m.sayMissed(byPoint[p]))
	}
	if more := len(points) - len(said); more > 0 {
		said = append(said, fmt.Sprintf("%d more", more))
	}
	return "While this outlet was down: " + strings.Join(said, "; ") + "."
}

// sayMissed says what was missed of one point.
func (m *Message) sayMissed(of []Missed) string {
	first := slices.MinFunc(of, func(a, b Missed) int { return a.Since.Compare(b.Since) })
	last := slices.MaxFunc(of, func(a, b Missed) int { return a.Since.Compare(b.Since) })
	if len(of) == 1 && first.Key == m.Alert.Key {
		return "it began " + m.clock(first.Since) + m.end(first)
	}
	if len(of) == 1 {
		return first.Title + " (" + m.clock(first.Since) + m.end(first) + ")"
	}
	return fmt.Sprintf("%s (%d times, %s to %s%s)", last.Title, len(of), m.clock(first.Since), m.clock(last.Since), m.end(last))
}

func (m *Message) end(x Missed) string {
	switch {
	case !x.Over.IsZero():
		return ", over " + m.clock(x.Over)
	case x.By != "":
		return ", taken by " + x.By
	}
	return ""
}

// clock is a local time, with its day if it is not about that of the message.
func (m *Message) clock(t time.Time) string {
	if d := m.Made.Sub(t); d > 12*time.Hour || d < -12*time.Hour {
		return t.Local().Format("2 Jan 15:04:05")
	}
	return t.Local().Format("15:04:05")
}
