package app

import (
	"context"
	"net/http"
	"time"

	"benchvigil/internal/alert/load"
	"benchvigil/internal/web"
)

// push lets phones subscribe; nil on a bench that no configuration describes.
func (a *assembly) push() *web.Push {
	if a.plan.From.Bench == "" {
		return nil
	}
	return &web.Push{
		Handler: http.HandlerFunc(a.desk.servePush), Phones: a.desk.phones,
		Ready:   func() bool { return a.desk.ways.Load().phones != nil },
		Address: func() string { return *a.desk.link.Load() },
	}
}

// servePush hands on to the outlet that is in force.
func (d *desk) servePush(w http.ResponseWriter, r *http.Request) {
	p := d.ways.Load().phones
	if p == nil {
		http.Error(w, errNoContact.Error(), http.StatusServiceUnavailable)
		return
	}
	p.Handler().ServeHTTP(w, r)
}

// phones are those that have subscribed.
func (d *desk) phones() (out []web.Phone) {
	p := d.ways.Load().phones
	if p == nil {
		return nil
	}
	for _, one := range p.Phones() {
		out = append(out, web.Phone{
			ID: one.ID, Person: one.Person, Device: one.Device, Since: one.Since, Sent: one.Sent, Arrived: one.Arrived, Trouble: one.Trouble,
		})
	}
	return out
}

// webLoad is load for the page.
func (d *desk) webLoad(ctx context.Context, from, to time.Time) (web.Load, error) {
	r, err := d.measured(ctx, from, to)
	out := web.Load{From: r.From, To: r.To, Younger: r.Younger, Rings: r.Rings, Hints: r.Hints}
	for _, m := range r.Measures {
		out.Measures = append(out.Measures, web.LoadMeasure{
			Name: m.Name, Value: m.Value, Target: m.Target, Source: m.Source, Verdict: string(m.Verdict), Over: m.Verdict == load.NotKept,
		})
	}
	for _, f := range r.Frequent {
		out.Frequent = append(out.Frequent, web.LoadPoint{Point: f.Point, Rings: f.Rings, Share: f.Share})
	}
	return out, err
}
