package bench

import (
	"fmt"
	"strings"
	"time"
)

// String says in a few words how long the work still takes: "about 6 min more,
// 9 of 10 within 25 min (by 12 before)". It is empty where nothing is known.
func (v *NeedsView) String() string {
	switch {
	case v == nil:
		return ""
	case v.Passed:
		return fmt.Sprintf("longer than all %d before", v.Of)
	}
	median, known := v.Median.Get()
	most, limited := v.Most.Get()
	by := fmt.Sprintf(" (by %d before)", v.Of)
	switch {
	case known && limited:
		return "about " + roughly(median) + " more, 9 of 10 within " + roughly(most) + by
	case known:
		return "about " + roughly(median) + " more" + by
	case limited:
		return "9 of 10 within " + roughly(most) + by
	}
	return ""
}

// fewRuns is how many runs tell something of the next one: the limits of fewer
// are so wide that they say nothing.
const fewRuns = 5

// String says the odds in a few words: "7 of 8 runs reached it: the next one
// 53–98 %", by limits that hold together nine times in ten. A board that drops
// at nearly the same time each time has no odds.
func (v *OddsView) String() string {
	switch {
	case v == nil:
		return ""
	case v.Regular > 0:
		return fmt.Sprintf("resets at about %.0f s each time", v.Regular.Seconds())
	case v.Of < fewRuns:
		return v.lasted() + " (too few to tell)"
	case v.Lasted == v.Of:
		return v.lasted() + ": the next one " + percent(v.Low) + " or more"
	case v.Lasted == 0:
		return v.lasted() + ": the next one " + percent(v.High) + " or less"
	}
	return v.lasted() + ": the next one " + strings.TrimSuffix(percent(v.Low), " %") + "–" + percent(v.High)
}

// lasted says how many runs came as far as they had to: through the window, or
// for as long as a stay that is armed.
func (v *OddsView) lasted() string {
	if v.Wait > 0 {
		return fmt.Sprintf("%d of %d runs lasted %s", v.Lasted, v.Of, roughly(v.Wait))
	}
	return fmt.Sprintf("%d of %d runs reached it", v.Lasted, v.Of)
}

// percent never rounds to the side of being sure.
func percent(share float64) string {
	p := int(100*share + 0.5)
	if share < 1 {
		p = min(p, 99)
	}
	if share > 0 {
		p = max(p, 1)
	}
	return fmt.Sprintf("%d %%", p)
}

// roughly prints a length of time as exactly as an estimate deserves.
func roughly(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", d.Round(time.Second)/time.Second)
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", d.Round(time.Minute)/time.Minute)
	}
	d = d.Round(time.Minute)
	return fmt.Sprintf("%d h %02d min", d/time.Hour, d%time.Hour/time.Minute)
}
