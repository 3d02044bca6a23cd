package app

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"time"

	"benchvigil/internal/alert/alertmanager"
	"benchvigil/internal/alert/dispatch"
	"benchvigil/internal/alert/email"
	"benchvigil/internal/alert/publish"
	"benchvigil/internal/alert/roster"
	"benchvigil/internal/alert/rule"
	"benchvigil/internal/alert/service"
	"benchvigil/internal/alert/webhook"
	"benchvigil/internal/alert/webpush"
	"benchvigil/internal/bench"
	"benchvigil/internal/config"
	"benchvigil/internal/logkey"
)

// ways are the ways to people that a configuration names.
type ways struct {
	outlets map[string]dispatch.Outlet
	limits  map[string]dispatch.Limits
	kinds   map[string]config.OutletKind
	hosts   map[string]string // that they hand messages to
	names   []string          // in the order of the file
	phones  *webpush.Outlet
	tasks   []task // what outlets do by themselves
}

// errNoContact keeps phones from being told.
var errNoContact = errors.New("phones are not told: push services want to know whom to write to; set contact to a mailto: or https: address")

// newWays makes the outlets. One that cannot be made is an error, but for the
// phones that nobody asked for.
func (d *desk) newWays(c config.Config) (*ways, error) {
	w := &ways{outlets: map[string]dispatch.Outlet{}, limits: map[string]dispatch.Limits{}, kinds: map[string]config.OutletKind{}, hosts: map[string]string{}}
	for _, o := range c.Outlets {
		out, err := d.newOutlet(w, c, o)
		if errors.Is(err, errNoContact) {
			if len(c.Outlets) > 1 { // alone it is the one that nobody asked for
				d.log.Warn(err.Error())
			}
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("outlet %q: %w", o.Name, err)
		}
		w.outlets[o.Name], w.kinds[o.Name], w.hosts[o.Name] = out, o.Kind, hostOf(&o)
		w.limits[o.Name] = dispatch.Limits{Rate: float64(o.PerMinute) / 60, Burst: o.PerMinute, Timeout: o.Timeout, Verbatim: o.Kind == config.Webhook || o.Kind == config.Alertmanager}
		w.names = append(w.names, o.Name)
	}
	return w, nil
}

func (d *desk) newOutlet(w *ways, c config.Config, o config.Outlet) (dispatch.Outlet, error) {
	switch o.Kind {
	case config.WebPush:
		if c.Contact == "" {
			return nil, errNoContact
		}
		p, err := webpush.New(context.Background(), webpush.Options{
			Name: o.Name, Contact: c.Contact, Keep: d.keeper(), Logger: d.log, Timeout: o.Timeout, Acknowledge: d.acknowledge,
		})
		w.phones = p
		return p, err
	case config.Webhook:
		var secrets []string
		if s := o.Secret.Reveal(); s != "" {
			secrets = append(secrets, s)
		}
		return webhook.New(webhook.Options{Name: o.Name, URL: o.URL.Reveal(), Secrets: secrets, Headers: revealed(o.Headers), Now: d.now})
	case config.Email:
		return email.New(email.Options{
			Name: o.Name, Server: o.Server, User: o.User, Password: o.Password.Reveal(), From: o.From, To: o.To,
			Plain: o.PlainTLS, Timeout: o.Timeout, Logger: d.log,
		})
	case config.Publish:
		return publish.New(publish.Options{Name: o.Name, Method: o.Method, URL: o.URL.Reveal(), Headers: revealed(o.Headers), Body: o.Body})
	case config.Service:
		return service.New(service.Options{Name: o.Name, URL: o.URL.Reveal(), Timeout: o.Timeout})
	case config.Alertmanager:
		am, err := alertmanager.New(alertmanager.Options{
			Name: o.Name, URL: o.URL.Reveal(), Headers: revealed(o.Headers), Bench: d.bench, Standing: d.views,
			Link: func(v bench.AlertView) string { return d.linkTo(v.Key) }, Now: d.now, Logger: d.log,
		})
		if err == nil {
			w.tasks = append(w.tasks, task{"outlet " + o.Name, am.Run})
		}
		return am, err
	}
	return nil, fmt.Errorf("%q is no kind of outlet", o.Kind)
}

// linkTo is the page of an alert; empty where nobody knows the address.
func (d *desk) linkTo(key string) string {
	link := *d.link.Load()
	if link == "" {
		return ""
	}
	return link + "alerts?ack=" + url.QueryEscape(key)
}

func revealed(of map[string]config.Secret) map[string]string {
	out := map[string]string{}
	for name, s := range of {
		out[name] = s.Reveal()
	}
	return out
}

// keeper is where outlets keep what must outlast a restart.
func (d *desk) keeper() webpush.Keeper {
	if d.store != nil {
		return d.store
	}
	return d.kept
}

// acknowledge takes an acknowledgement from a phone's notification.
func (d *desk) acknowledge(_ context.Context, key, by string) error {
	return d.act(bench.AlertAct{Do: bench.DeedAcknowledge, Key: key, By: by})
}

// newRoster says who is told, by the outlets that there are.
func newRoster(p *Plan, w *ways) (*roster.Roster, error) {
	c, o := p.From, roster.Options{
		Bench: p.Bench, Zone: time.Local, Outlets: w.names, Repeat: orNever(p.From.Alerts.Repeat), Escalate: p.From.Alerts.Escalate,
	}
	for _, s := range p.Stations {
		o.Stations = append(o.Stations, s.ID)
	}
	owned := map[string]bool{}
	for _, person := range c.People {
		rp, err := newPerson(person, w)
		if err != nil {
			return nil, err
		}
		for _, name := range person.Outlets {
			owned[name] = true
		}
		o.People = append(o.People, rp)
		o.Everybody = append(o.Everybody, rp.Name)
	}
	for _, name := range w.names {
		if !owned[name] {
			o.Everybody = append(o.Everybody, name)
		}
	}
	for _, t := range c.Alerts.Tell {
		o.Rules = append(o.Rules, newRule(t, c))
	}
	return roster.New(o)
}

// orNever turns a repeat that is switched off into the roster's word for it.
func orNever(d time.Duration) time.Duration {
	if d == 0 {
		return -1
	}
	return d
}

func newPerson(p config.Person, w *ways) (roster.Person, error) {
	out := roster.Person{Name: p.Name}
	for _, name := range p.Outlets {
		if w.outlets[name] != nil {
			out.Outlets = append(out.Outlets, name)
		}
	}
	for _, q := range p.Quiet {
		span, err := roster.ParseSpan(q)
		if err != nil {
			return out, fmt.Errorf("person %q: %w", p.Name, err)
		}
		out.Quiet = append(out.Quiet, span)
	}
	return out, nil
}

func newRule(t config.AlertRule, c config.Config) roster.Rule {
	r := roster.Rule{Stations: t.Stations, Severities: t.Severities, Kinds: t.Kinds, Tell: t.Tell}
	if c.Alerts.Escalate > 0 {
		for _, name := range t.Then {
			r.Then = append(r.Then, []string{name})
		}
	}
	return r
}

// newRules are the options of the rules.
func newRules(p *Plan) rule.Options {
	o := rule.Options{Hold: maps.Clone(p.From.Alerts.Hold), Zone: time.Local}
	for _, s := range p.Stations {
		rs := rule.Station{ID: s.ID, Name: s.Name, Port: s.Port, Profile: s.Profile.Name, Window: s.Window}
		if s.Supply != nil {
			rs.Supply = s.Supply.Address
		}
		o.Stations = append(o.Stations, rs)
	}
	for _, d := range p.From.Alerts.Draw {
		o.Draw = append(o.Draw, newDraw(d))
	}
	return o
}

func newDraw(d config.Draw) rule.Draw {
	out := rule.Draw{
		Name: d.Name, Stations: d.Stations, Profiles: d.Profiles, Within: d.Within, For: d.For, Severity: string(d.Severity),
		Above: d.Above.Or(0).Amps(), Below: d.Below.Or(0).Amps(), Change: d.ChangedBy.Or(0).Amps(),
	}
	for _, m := range d.Modes {
		out.Modes = append(out.Modes, string(m))
	}
	if b, ok := d.Outside.Get(); ok {
		out.Below, out.Above = b.Low.Amps(), b.High.Amps()
	}
	return out
}

// follow puts what a plan says of alerts in force. It fails before anything was
// changed.
func (d *desk) follow(p *Plan) (*ways, error) {
	w, err := d.newWays(p.From)
	if err != nil {
		return nil, err
	}
	r, err := newRoster(p, w)
	if err != nil {
		return nil, err
	}
	rules := newRules(p)
	if err := rule.CheckDraws(rules.Draw); err != nil {
		return nil, err
	}
	d.warn(w, r)
	link := p.From.Link
	d.mu.Lock()
	defer d.mu.Unlock()
	d.link.Store(&link)
	d.draws.Store(len(rules.Draw) > 0)
	d.rules.Configure(rules)
	d.roster, d.people = r, max(len(p.From.People), 1)
	d.ways.Store(w)
	return w, nil
}

// warn logs who is not reached.
func (d *desk) warn(w *ways, r *roster.Roster) {
	if len(w.names) == 0 {
		d.log.Info("there is no outlet: alerts are shown on the pages alone; set contact to let phones subscribe, or outlets")
		return
	}
	for _, finding := range r.Check() {
		d.log.Warn("who is told: " + finding)
	}
}

// outlets are how the ways to people fare, in the order of the file.
func (d *desk) outlets() (out []bench.OutletView) {
	w := d.ways.Load()
	status := d.post.Status()
	for _, name := range w.names {
		i := slices.IndexFunc(status, func(s dispatch.OutletStatus) bool { return s.Outlet == name })
		if i < 0 {
			continue
		}
		s := status[i]
		out = append(out, bench.OutletView{
			Name: name, Kind: string(w.kinds[name]), Waiting: s.Queue + s.OnTheWay, Failing: s.FailingSince, Error: s.LastError, Sent: s.LastSent,
			Delivered: s.Sent, Failed: s.Failed, GivenUp: s.GivenUp,
		})
	}
	return out
}

// failing takes news of an outlet from the dispatcher.
func (d *desk) failing(outlet string, since time.Time, err error) {
	var f *fault
	if err != nil {
		f = &fault{since: since, why: err.Error()}
		if w := d.ways.Load(); w != nil && unreached(err) {
			f.host = w.hosts[outlet]
		}
		d.log.Warn("an outlet does not deliver", logkey.Name(outlet), logkey.Err(err))
	}
	for _, t := range d.hosts.take(outlet, f, d.now()) {
		d.trouble(t)
	}
}
