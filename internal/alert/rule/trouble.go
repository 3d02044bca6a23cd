package rule

import (
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

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
		}
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
