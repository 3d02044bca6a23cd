package learn

import (
	"fmt"
	"math"
	"slices"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/profile"
	"benchvigil/internal/unit"
)

// How much evidence a change needs.
const (
	leastSeconds = 30 // of readings or of traffic
	leastCases   = 5  // of dwells, to lower a limit, and to raise a gap
)

// Finding is what the recordings say of one value of the profile.
type Finding struct {
	profile.Change        // To is empty where the value is left as it is
	Old            string // as the file has it, "-" for nothing
	From           string // how much evidence there is: "212 s", "5 dwells"
	Why            string // why the value is left as it is, or kept
}

// Findings says for every value that the profile has, or that the recordings
// show, what it would become, in the order of the profile.
func (l *Learner) Findings() (out []Finding) {
	for i := range l.p.Modes {
		s := &l.p.Modes[i]
		found := l.of(s)
		out = append(out, found...)
		if s.Mode == bench.Standby {
			out = append(out, l.keepStart(s, found)...)
		}
	}
	return out
}

// Changes are the findings that change something.
func Changes(findings []Finding) (out []profile.Change) {
	for _, f := range findings {
		if len(f.To) > 0 {
			out = append(out, f.Change)
		}
	}
	return out
}

func (l *Learner) of(s *profile.Spec) (out []Finding) {
	seen := l.modes[s.Mode]
	if seen == nil {
		seen = &shown{}
	}
	add := func(f Finding, about bool) {
		if about {
			f.Mode = s.Mode
			out = append(out, f)
		}
	}
	add(band(profile.KeyAmps, s, s.Amps, seen.alone), s.Amps.Known() || len(seen.alone.amps) > 0)
	add(band(profile.KeyWithVBUS, s, s.WithVBUS, seen.withVBUS), s.WithVBUS.Known() || len(seen.withVBUS.amps) > 0)
	add(l.gap(s, seen), len(seen.absences)+seen.handled > 0)
	add(traffic(s.Traffic, seen.traffic), s.Traffic.Known() || len(seen.traffic.perSecond) > 0)
	about := dwells(s) && (s.Typical+s.Most > 0 || len(seen.dwells) > 0)
	add(typical(s.Typical, seen.dwells), about)
	add(limit(profile.KeyMost, s.Most, 0, seen.dwells, "dwell"), about)
	return out
}

// keepStart keeps starts_above where standby's band gave it until now.
func (l *Learner) keepStart(s *profile.Spec, found []Finding) []Finding {
	b, ok := s.Amps.Get()
	changed := slices.ContainsFunc(found, func(f Finding) bool {
		return f.Key == profile.KeyAmps && len(f.To) > 0
	})
	if !ok || !changed || b.High != l.p.StartsAbove {
		return nil
	}
	to := profile.Band{High: l.p.StartsAbove}.Values()[1:]
	return []Finding{{
		Change: profile.Change{Key: "starts_above", To: to}, Old: "-",
		Why: "kept: the end of standby's band gave it until now, and a run must not begin below that",
	}}
}

// dwells reports a mode whose length is the board's or the host's doing.
func dwells(s *profile.Spec) bool {
	return s.Mode == bench.Starting || s.Mode == bench.Restoring || s.Mode == bench.RePairing || s.Typical+s.Most > 0
}

func band(key string, s *profile.Spec, old unit.Maybe[profile.Band], seen readings) Finding {
	f := Finding{Change: profile.Change{Key: key}, Old: "-", From: fmt.Sprintf("%d s", seen.seconds)}
	if b, ok := old.Get(); ok {
		f.Old = profile.Inline(b.Values())
	}
	switch {
	case s.Mode == bench.Off:
		f.Why = "a limit of the instrument, never changed"
		return f
	case seen.seconds < leastSeconds:
		f.Why = fmt.Sprintf("too little: %d s are needed", leastSeconds)
		return f
	}
	slices.Sort(seen.amps)
	b := profile.Band{Low: outward(Percentile(seen.amps, 0.05), math.Floor), High: outward(Percentile(seen.amps, 0.95), math.Ceil)}
	return f.become(b.Values())
}

// become fills in the new value, unless it is the old one.
func (f Finding) become(to []string) Finding {
	if profile.Inline(to) == f.Old {
		f.Why = "the same"
		return f
	}
	f.To = to
	return f
}

// outward rounds to what a bench display shows, away from the band.
func outward(micro float64, round func(float64) float64) unit.Current {
	step := 1e3
	if micro < 100e3 {
		step = 100
	}
	return unit.Current(max(round(micro/step)*step, 0))
}

func traffic(old unit.Maybe[profile.Rates], seen rates) Finding {
	f := Finding{Change: profile.Change{Key: profile.KeyTraffic}, Old: "-", From: fmt.Sprintf("%.0f s", seen.over.Seconds())}
	if r, ok := old.Get(); ok {
		f.Old = profile.Inline(r.Values())
	}
	if seen.over < leastSeconds*time.Second {
		f.Why = fmt.Sprintf("too little: %d s are needed", leastSeconds)
		return f
	}
	slices.Sort(seen.perSecond)
	r := profile.Rates{Low: math.Floor(Percentile(seen.perSecond, 0.05)), High: math.Ceil(Percentile(seen.perSecond, 0.95))}
	if r.Low == r.High {
		f.Why = fmt.Sprintf("no band: %g a second all the time", r.Low)
		return f
	}
	return f.become(r.Values())
}

// gap is the limit of absences, without those that people marked as theirs.
func (l *Learner) gap(s *profile.Spec, seen *shown) Finding {
	f := limit(profile.KeyGap, s.Gap, min(s.Gap, l.p.Gap), seen.absences, "absence")
	if seen.handled > 0 {
		f.From += fmt.Sprintf(", and %d left out by a mark", seen.handled)
	}
	return f
}

func typical(old time.Duration, dwells []time.Duration) Finding {
	f := Finding{Change: profile.Change{Key: profile.KeyTypical}, Old: orNone(old), From: several(len(dwells), "dwell")}
	if len(dwells) < leastCases {
		f.Why = fmt.Sprintf("too little: %s are needed", several(leastCases, "dwell"))
		return f
	}
	var seconds []float64
	for _, d := range slices.Sorted(slices.Values(dwells)) {
		seconds = append(seconds, d.Seconds())
	}
	median := time.Duration(Percentile(seconds, 0.5) * float64(time.Second))
	return f.become([]string{profile.Duration(max(median.Round(step(median)), time.Second))})
}

// limit is the longest case and half as much again. One longer case raises it,
// but not a gap: an absence may be a cable that somebody pulled. Lowering it
// takes some, and never below least.
func limit(key string, old, least time.Duration, cases []time.Duration, what string) Finding {
	f := Finding{Change: profile.Change{Key: key}, Old: orNone(old), From: several(len(cases), what)}
	if len(cases) == 0 {
		f.Why = "too little: none was seen"
		return f
	}
	longest := slices.Max(cases)
	f.From += ", up to " + profile.Duration(longest.Round(100*time.Millisecond))
	most := longest * 3 / 2
	s := step(most)
	most = max((most+s-1)/s*s, least)
	raise := old != 0 && longest > old
	if len(cases) < leastCases && (!raise || key == profile.KeyGap) {
		f.Why = fmt.Sprintf("too little: %s are needed", several(leastCases, what))
		switch {
		case raise:
			f.Why += " to raise it"
		case old != 0:
			f.Why += " to lower it"
		}
		return f
	}
	return f.become([]string{profile.Duration(most)})
}

// step is to what a length of time is rounded.
func step(d time.Duration) time.Duration {
	switch {
	case d < 2*time.Minute:
		return time.Second
	case d < 20*time.Minute:
		return 10 * time.Second
	}
	return time.Minute
}

func several(n int, what string) string {
	if n != 1 {
		what += "s"
	}
	return fmt.Sprintf("%d %s", n, what)
}

func orNone(d time.Duration) string {
	if d == 0 {
		return "-"
	}
	return profile.Duration(d)
}
