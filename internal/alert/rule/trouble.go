package rule

import (
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// briefly is up to how long nobody watched for that to be no more than news: a
// restart. What a board did in it has an alert of its own.
const briefly = time.Minute

// trouble opens and closes what is wrong with the bench itself.
func (r *Rules) trouble(t *Trouble) {
	f := facts{kind: t.Kind, rule: t.Rule, severity: severities[t.Kind], since: t.Since, zone: r.o.Zone}
	if t.Why != "" {
		f.why = []string{t.Why}
	}
	old := r.points[f.point()]
	switch {
	case t.Kind == bench.AlertUnwatched:
		if !t.Until.IsZero() {
			f.uptime = unit.Some(t.Until.Sub(t.Since))
			f.until = t.Until
			if t.Until.Sub(t.Since) < briefly {
				f.severity = bench.Notice
			}
		}
		f.down = len(r.stations)
		r.pass(f)
	case t.Over && old != nil:
		r.close(old, "it works again")
	case t.Over:
	case old != nil:
		r.rewrite(old, f, "another reason is told")
	default:
		r.open(f)
	}
}
