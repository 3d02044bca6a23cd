package load

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
)

// mostHints keeps the list one that somebody reads.
const mostHints = 10

// source is what may be changed in one place: a rule, or a kind without rules,
// at whatever stations.
type source struct {
	kind bench.AlertKind
	rule string
}

func (s source) String() string {
	switch {
	case s.kind == bench.AlertDraw && s.rule != "":
		return "draw rule " + s.rule
	case s.rule != "":
		return string(s.kind) + " " + s.rule
	}
	return string(s.kind)
}

// isRule reports what has a delay of its own in the configuration.
func (s source) isRule() bool { return s.kind == bench.AlertDraw }

// hints say what to change, the most frequent first.
func hints(r *Report, rings []*ring, standing []stand) []string {
	by := map[source][]*ring{}
	for _, x := range rings {
		s := source{x.point.Kind, x.point.Rule}
		by[s] = append(by[s], x)
	}
	var out []string
	for _, s := range slices.SortedFunc(maps.Keys(by), func(a, b source) int {
		return cmp.Or(len(by[b])-len(by[a]), strings.Compare(a.String(), b.String()))
	}) {
		if h := hint(s, by[s], r); h != "" {
			out = append(out, h)
		}
	}
	out = append(out, staleHints(standing)...)
	if w := r.Severities[0]; r.Rings >= fewRings && w.Share > 4*w.Target {
		out = append(out, fmt.Sprintf("%d of %d rings were dangers: what is usual is none; lower the severity of what can wait", w.Rings, r.Rings))
	}
	return out[:min(len(out), mostHints)]
}

// hint says what to change about one source; nothing where it is as it should be.
func hint(s source, rings []*ring, r *Report) string {
	const several, half, large = 3, 0.5, 0.25
	n := fleeting(rings)
	most := chatter(rings)
	switch {
	case n >= several && share(n, len(rings)) >= half:
		return fmt.Sprintf("%s rang %d times, %d of them shorter than %s: %s", s, len(rings), n, FleetingSpan, remedy(s, rings))
	case most >= ChatterRings:
		return fmt.Sprintf("%s rang %d times, up to %d times within %s: %s", s, len(rings), most, bench.Length(ChatterSpan), calm(s))
	case r.Rings >= fewRings && share(len(rings), r.Rings) >= large:
		return fmt.Sprintf("%s rang %d times, %.0f %% of all: see whether each asked for an act, and raise its limit or its delay if not", s, len(rings), 100*share(len(rings), r.Rings))
	}
	return ""
}

// remedy is a delay that would have kept the short ones from ringing.
func remedy(s source, rings []*ring) string {
	const step = 5 * time.Second
	longest := time.Duration(0)
	for _, x := range rings {
		if x.short() {
			longest = max(longest, x.stood)
		}
	}
	delay := (longest/step + 1) * step // beyond it
	if delay-longest < step/2 {
		delay += step // and not by a hair
	}
	if s.isRule() {
		return fmt.Sprintf("give it for: %s", bench.Length(delay))
	}
	return fmt.Sprintf("it should wait %s: look at its limits in the profile", bench.Length(delay))
}

func calm(s source) string {
	if s.isRule() {
		return "give it a longer for:, or move its limit away from where the current usually is"
	}
	return "look at its limits in the profile, and at cable and plug"
}

// chatter is the most rings of one point within ChatterSpan.
func chatter(rings []*ring) (most int) {
	by := map[bench.AlertPoint][]*ring{}
	for _, x := range rings {
		by[x.point] = append(by[x.point], x)
	}
	for _, of := range by {
		n, _ := peak(timesOf(of), ChatterSpan)
		most = max(most, n)
	}
	return most
}

func staleHints(standing []stand) (out []string) {
	slices.SortFunc(standing, func(a, b stand) int {
		return cmp.Or(a.from.Compare(b.from), strings.Compare(a.point.String(), b.point.String()))
	})
	for _, s := range standing {
		if d := s.to.Sub(s.from); d > StaleSpan {
			out = append(out, fmt.Sprintf("%s stands for %.0f h: mend it, or take it out of service until then", s.point, d.Hours()))
		}
	}
	return out
}
