package rule

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Draw is a rule about the current of boards, as somebody wrote it down. It has
// one condition: Above, Below, both (outside the band from Below to Above), or
// Change within a time. Currents are in amperes, 0 is none.
type Draw struct {
	Name       string        `yaml:"name"`       // letters, digits, - and _, up to 24
	Stations   []string      `yaml:"stations"`   // IDs; with Profiles empty too: all stations
	Profiles   []string      `yaml:"profiles"`   // names; a station of either list is meant
	Modes      []string      `yaml:"modes"`      // in which it applies; empty: all of a board that is up
	Above      float64       `yaml:"above"`      // more than this
	Below      float64       `yaml:"below"`      // less than this
	Change     float64       `yaml:"change"`     // highest and lowest are further apart than this
	Within     time.Duration `yaml:"within"`     // of Change: in how long
	For        time.Duration `yaml:"for"`        // for how long without a break; 0: at the first reading
	Hysteresis float64       `yaml:"hysteresis"` // how far back inside it is over; 0: a twentieth of the limit
	Severity   string        `yaml:"severity"`   // danger, caution or notice; empty: caution
}

// Limits of a rule of draw.
const (
	mostAmps   = 1000.0
	mostFor    = 24 * time.Hour
	mostWithin = time.Hour
	backAtOnce = 3 * time.Second // a rule with a shorter For is over after this
)

var drawName = regexp.MustCompile(`^[A-Za-z0-9_-]{1,24}$`)

// CheckDraws says what is wrong with a list of rules.
func CheckDraws(rules []Draw) error {
	var errs []error
	seen := map[string]bool{}
	for i := range rules {
		d := &rules[i]
		if err := d.Check(); err != nil {
			errs = append(errs, err)
		}
		if seen[d.Name] {
			errs = append(errs, fmt.Errorf("draw rule %q: there are two of this name: name each differently", d.Name))
		}
		seen[d.Name] = true
	}
	return errors.Join(errs...)
}

// Check says what is wrong with a rule, and what to write instead.
func (d *Draw) Check() error {
	if !drawName.MatchString(d.Name) {
		return fmt.Errorf("draw rule %q: name: write 1 to 24 letters, digits, - or _", d.Name)
	}
	for _, check := range []func() error{d.checkAmps, d.checkCondition, d.checkTimes, d.checkWords} {
		if err := check(); err != nil {
			return fmt.Errorf("draw rule %q: %w", d.Name, err)
		}
	}
	return nil
}

func (d *Draw) checkAmps() error {
	for _, v := range []struct {
		name string
		amps float64
	}{{"above", d.Above}, {"below", d.Below}, {"change", d.Change}, {"hysteresis", d.Hysteresis}} {
		if math.IsNaN(v.amps) || v.amps < 0 || v.amps > mostAmps {
			return fmt.Errorf("%s: %g: write amperes from 0 to %g", v.name, v.amps, mostAmps)
		}
	}
	return nil
}

func (d *Draw) checkCondition() error {
	level := d.Above > 0 || d.Below > 0
	switch {
	case !level && d.Change == 0:
		return errors.New("it has no condition: give above, below, both, or change with within")
	case level && d.Change > 0:
		return errors.New("change stands beside above or below: make two rules of it")
	case d.Above > 0 && d.Below >= d.Above:
		return fmt.Errorf("below %g A is not under above %g A: every current would be outside the band", d.Below, d.Above)
	case d.Hysteresis > 0 && d.Above > 0 && 2*d.Hysteresis >= d.Above-d.Below, d.Hysteresis > 0 && d.Change > 0 && d.Hysteresis >= d.Change:
		return fmt.Errorf("hysteresis %g A leaves no current at which it is over: write less", d.Hysteresis)
	case d.Change > 0 && d.Within == 0:
		return errors.New("change needs a time: give within, such as 30s")
	case d.Change == 0 && d.Within != 0:
		return errors.New("within belongs to change: for how long above or below lasts is for")
	}
	return nil
}

func (d *Draw) checkTimes() error {
	switch {
	case d.For < 0 || d.For > mostFor:
		return fmt.Errorf("for: %v: write 0s to 24h", d.For)
	case d.Change > 0 && (d.Within < time.Second || d.Within > mostWithin):
		return fmt.Errorf("within: %v: write 1s to 1h", d.Within)
	}
	return nil
}

func (d *Draw) checkWords() error {
	for _, m := range d.Modes {
		if _, err := bench.ParseMode(m); err != nil {
			return fmt.Errorf("modes: %w: there are %v", err, bench.Modes())
		}
	}
	if d.Severity != "" && !slices.Contains(bench.Severities(), bench.Severity(d.Severity)) {
		return fmt.Errorf("severity: %q: write danger, caution or notice", d.Severity)
	}
	return nil
}

// means reports that a rule is about a station.
func (d *Draw) means(s *Station) bool {
	if len(d.Stations) == 0 && len(d.Profiles) == 0 {
		return true
	}
	return slices.Contains(d.Stations, s.ID) || slices.Contains(d.Profiles, s.Profile)
}

func (d *Draw) severity() bench.Severity {
	if d.Severity == "" {
		return bench.Caution
	}
	return bench.Severity(d.Severity)
}

// drawState is a rule at a station.
type drawState struct {
	rule                 Draw
	above, below, change unit.Current
	back                 unit.Current
	in                   []bench.Mode
	bad, good            time.Time // since when without a break it is met, or well inside; zero: it is not
	stands               bool
	seen                 spread
}

func newDrawState(d *Draw) *drawState {
	s := &drawState{rule: *d, above: unit.FromAmps(d.Above), below: unit.FromAmps(d.Below), change: unit.FromAmps(d.Change)}
	s.back = unit.FromAmps(d.Hysteresis)
	if s.back == 0 {
		s.back = (max(s.above, s.change) + 19) / 20
		if s.above == 0 && s.change == 0 {
			s.back = (s.below + 19) / 20
		}
		if s.above > 0 && s.below > 0 {
			s.back = min(s.back, (s.above-s.below)/4)
		}
	}
	for _, m := range d.Modes {
		s.in = append(s.in, bench.Mode(m))
	}
	if len(s.in) == 0 {
		s.in = bench.Reachable()
	}
	s.seen.width = d.Within / buckets
	return s
}

// judge says whether a reading meets the rule, and whether it is well inside.
func (d *drawState) judge(at time.Time, amps unit.Current) (bad, good bool) {
	if d.change > 0 {
		moved := d.seen.add(at, amps)
		return moved > d.change, moved < d.change-d.back
	}
	bad = d.above > 0 && amps > d.above || d.below > 0 && amps < d.below
	good = (d.above == 0 || amps < d.above-d.back) && (d.below == 0 || amps > d.below+d.back)
	return bad, good
}

// take takes a reading and reports that the rule begins or ceases to stand.
func (d *drawState) take(at time.Time, amps unit.Current) bool {
	bad, good := d.judge(at, amps)
	d.bad, d.good = streak(d.bad, at, bad), streak(d.good, at, good)
	switch {
	case !d.stands && bad && at.Sub(d.bad) >= d.rule.For, d.stands && good && at.Sub(d.good) >= max(d.rule.For, backAtOnce):
		d.stands = !d.stands
		return true
	}
	return false
}

// streak is since when something holds without a break.
func streak(since, at time.Time, holds bool) time.Time {
	switch {
	case !holds:
		return time.Time{}
	case since.IsZero() || at.Before(since):
		return at
	}
	return since
}

// rest forgets what was read: another mode or a silence begins.
func (d *drawState) rest() {
	d.bad, d.good, d.stands = time.Time{}, time.Time{}, false
	d.seen = spread{width: d.seen.width}
}

// buckets are into how many parts the time of a change is cut.
const buckets = 16

// spread keeps the lowest and the highest current of the last while.
type spread struct {
	width time.Duration // of a bucket
	of    [buckets + 1]struct {
		n       int64
		low, up unit.Current
	}
}

// add takes a reading and returns how far apart the extremes of the time are.
func (s *spread) add(at time.Time, amps unit.Current) unit.Current {
	now := at.UnixMilli() / max(s.width.Milliseconds(), 1)
	b := &s.of[int(now%int64(len(s.of)))]
	if b.n != now {
		b.n, b.low, b.up = now, amps, amps
	}
	b.low, b.up = min(b.low, amps), max(b.up, amps)
	low, up := amps, amps
	for i := range s.of {
		if age := now - s.of[i].n; age >= 0 && age <= buckets {
			low, up = min(low, s.of[i].low), max(up, s.of[i].up)
		}
	}
	return up - low
}

// configure takes the rules of draw that are about the station; those that are as
// before keep what they have seen.
func (st *station) configure(rules []Draw) {
	old := st.draws
	st.draws = nil
	for i := range rules {
		d := &rules[i]
		if !d.means(&st.Station) {
			continue
		}
		now := newDrawState(d)
		for _, o := range old {
			if o.rule.equal(d) {
				now = o
			}
		}
		st.draws = append(st.draws, now)
	}
}

func (d *Draw) equal(o *Draw) bool {
	a, b := *d, *o
	a.Stations, a.Profiles, a.Modes, b.Stations, b.Profiles, b.Modes = nil, nil, nil, nil, nil, nil
	return slices.Equal(d.Modes, o.Modes) && a.sameNumbers(&b)
}

func (d *Draw) sameNumbers(o *Draw) bool {
	return d.Name == o.Name && d.Above == o.Above && d.Below == o.Below && d.Change == o.Change && d.Within == o.Within &&
		d.For == o.For && d.Hysteresis == o.Hysteresis && d.Severity == o.Severity
}

// point is where a rule stands at a station.
func (d *drawState) point(st *station) bench.AlertPoint {
	return bench.AlertPoint{Station: st.ID, Kind: bench.AlertDraw, Rule: d.rule.Name}
}

// judgeDraws takes a reading and reports that something has changed by it.
func (r *Rules) judgeDraws(st *station, at time.Time, amps unit.Current) (changed bool) {
	for _, d := range st.draws {
		if !slices.Contains(d.in, st.mode) || !d.take(at, amps) {
			continue
		}
		r.start(at)
		changed = true
		if !d.stands {
			r.closeAt(d.point(st), "it draws "+amps.String()+" again")
			continue
		}
		f := r.about(st, bench.AlertDraw, d.bad, nil)
		f.rule, f.severity, f.draw, f.amps = d.rule.Name, d.rule.severity(), &d.rule, unit.Some(amps)
		r.open(f)
	}
	return changed
}

// lookDraws ends what no reading can end: the mode is another one, the supply is
// silent, or the rule is no more.
func (r *Rules) lookDraws(st *station, s *bench.Snapshot) {
	for _, d := range st.draws {
		switch {
		case !slices.Contains(d.in, s.Mode):
			d.rest()
			r.closeAt(d.point(st), "the mode in which it counts is over")
		case !s.SupplyLost.IsZero():
			d.rest()
			r.closeAt(d.point(st), "no reading shows it any more")
		}
	}
	for _, e := range r.order {
		if e.facts.kind == bench.AlertDraw && e.facts.station == st.ID && !r.hasDraw(st, e) {
			r.close(e, "the rule was changed or taken away")
			return // the others at the next look
		}
	}
}

// hasDraw finds the rule that a condition is of. One that stood before the
// program was started stands for the rule until its readings say otherwise.
func (r *Rules) hasDraw(st *station, e *entry) bool {
	for _, d := range st.draws {
		if d.rule.Name == e.facts.rule {
			if e.restored {
				d.stands, e.restored = true, false
			}
			return d.stands
		}
	}
	return false
}
