package rule

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"benchvigil/internal/bench"
)

// signal says by what a condition could have been caused beyond its station.
type signal int

const (
	none    signal = iota
	byLink         // the device left USB
	byPower        // the board or the instrument went down
)

// together is how close to each other conditions with one cause begin. Each has
// to be that close to the one before it, so that no order of arrival matters.
const together = time.Second

// Least numbers for a cause. One hub or one supply explains two stations; that a
// whole bus or the whole bench is gone takes stations of two of them, and of the
// bench a third, because boards drop by chance too.
const (
	leastShared = 2
	leastBus    = 2
	leastBench  = 3
)

// mark says by what a condition could have been caused. What is part of a cause
// stays so.
func (r *Rules) mark(e *entry, s signal) {
	if e == nil || e.signal == s || e.cause != nil {
		return
	}
	e.signal, r.regroup = s, true
}

// signalOf tells it from the kind of a drop, and while that is open from whether
// there are readings: without them only USB can have told.
func signalOf(how string, s *bench.Snapshot) signal {
	blind := s != nil && (s.Hookup.Path == bench.FromBattery || !s.SupplyLost.IsZero() || s.Reading.At.IsZero())
	if how == bench.LinkLost || how == "" && blind {
		return byLink
	}
	return byPower
}

// tier is a thing that several stations share: a hub within a bus, a supply
// within the bench.
type tier struct {
	point bench.AlertPoint
	part  string // which of its parts the station is at; the tier takes two of them
	least int    // stations
	wide  bool   // it takes in what narrower ones explain
}

// tiers are what the station of a condition shares with others, the narrowest
// first.
func (r *Rules) tiers(e *entry) []tier {
	st := r.stations[e.alert.Station]
	if st == nil || e.cause != nil && e.cause.Kind == bench.AlertUSBLost {
		return nil
	}
	switch r.caused(e) {
	case byLink:
		return linkTiers(st)
	case byPower:
		return powerTiers(st)
	case none:
	}
	return nil
}

func linkTiers(st *station) []tier {
	hub, below := hubOf(st.Port)
	bus, _, ok := strings.Cut(hub, "-")
	if !ok {
		return nil
	}
	return []tier{
		{hubPoint(hub), below, leastShared, false},
		{hubPoint(bus), hub, leastBus, true},
	}
}

func powerTiers(st *station) (out []tier) {
	part := st.ID // a station with a supply of its own is a part of the bench
	if st.Supply != "" {
		out = append(out, tier{powerPoint(st.Supply), st.ID, leastShared, false})
		part = st.Supply
	}
	return append(out, tier{powerPoint(""), part, leastBench, true})
}

// hubOf cuts a port path at the first port: "1-2.3.1" is "3.1" behind "1-2".
func hubOf(port string) (hub, below string) {
	hub, below, _ = strings.Cut(port, ".")
	return hub, below
}

func hubPoint(hub string) bench.AlertPoint {
	return bench.AlertPoint{Kind: bench.AlertHubLost, Rule: hub}
}

// powerPoint names a supply by its address, without what a URL cannot hold.
func powerPoint(address string) bench.AlertPoint {
	if _, after, ok := strings.Cut(address, "://"); ok {
		address = after
	}
	plain := func(c rune) rune {
		if strings.ContainsRune(".:_-", c) || c >= '0' && c <= '9' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' {
			return c
		}
		return '-'
	}
	return bench.AlertPoint{Kind: bench.AlertPowerLost, Rule: strings.Trim(strings.Map(plain, address), "-")}
}

// caused is the signal of a condition in the light of others: a device that left
// USB as its supply fell silent went down with that.
func (r *Rules) caused(e *entry) signal {
	if e.signal != byLink || e.restored {
		return e.signal
	}
	lost := r.points[bench.AlertPoint{Station: e.alert.Station, Kind: bench.AlertSupplyLost}]
	if lost != nil && lost.facts.since.Sub(e.facts.last()).Abs() <= together {
		return byPower
	}
	return byLink
}

// isCause reports a condition that others can be part of.
func (e *entry) isCause() bool {
	switch e.facts.kind {
	case bench.AlertHubLost, bench.AlertPowerLost, bench.AlertUSBLost:
		return true
	}
	return false
}

// findCauses looks for what stations have in common that went down together. A
// condition stays part of its cause for as long as it stands, or of a wider one.
func (r *Rules) findCauses() {
	r.underUSB()
	narrow, wide := map[bench.AlertPoint][]shareOf{}, map[bench.AlertPoint][]shareOf{}
	for _, e := range r.order {
		for _, t := range r.tiers(e) {
			in := narrow
			if t.wide {
				in = wide
			}
			in[t.point] = append(in[t.point], shareOf{e, t})
		}
	}
	for p, all := range narrow {
		takeIn(p, all)
	}
	for p, all := range wide {
		takeIn(p, all)
	}
	r.keepCauses()
	r.regroup = false
}

// shareOf is one condition's share in a tier.
type shareOf struct {
	e    *entry
	tier tier
}

// takeIn makes a tier the cause of those of its conditions that began together.
func takeIn(p bench.AlertPoint, all []shareOf) {
	slices.SortFunc(all, func(a, b shareOf) int {
		return cmp.Or(a.e.facts.last().Compare(b.e.facts.last()), cmp.Compare(a.e.alert.Station, b.e.alert.Station))
	})
	for len(all) > 0 {
		n := 1
		for n < len(all) && all[n].e.facts.last().Sub(all[n-1].e.facts.last()) <= together {
			n++
		}
		takeCluster(p, all[:n])
		all = all[n:]
	}
}

// takeCluster does so for conditions that did begin together. Where some of them
// are part of a wider cause already, that one takes in the others too.
func takeCluster(p bench.AlertPoint, all []shareOf) {
	part := func(of func(bench.AlertPoint) bool) bool {
		return slices.ContainsFunc(all, func(s shareOf) bool { return s.e.cause != nil && of(*s.e.cause) })
	}
	other := func(c bench.AlertPoint) bool { return c != p && c.Kind == p.Kind }
	if !all[0].tier.wide && part(other) || !enough(all) && !part(func(c bench.AlertPoint) bool { return c == p }) {
		return
	}
	for _, s := range all {
		s.e.cause = &p
		if p.Kind == bench.AlertPowerLost {
			s.e.signal = byPower // even when the supply answers again
		}
	}
}

// enough reports that a cluster has the stations, and they the parts, that it
// takes to be one cause.
func enough(all []shareOf) bool {
	stations, parts := map[string]bool{}, map[string]bool{}
	for _, s := range all {
		stations[s.e.alert.Station], parts[s.tier.part] = true, true
	}
	return len(stations) >= all[0].tier.least && len(parts) >= 2
}

// underUSB puts devices that seem to have left the bus under the loss of the USB
// watch, without which nobody can know. What was told already stays told: it may
// have to stand after the watch is back, and an occurrence is raised once.
func (r *Rules) underUSB() {
	usb := r.points[bench.AlertPoint{Kind: bench.AlertUSBLost}]
	for _, e := range r.order {
		under := e.cause != nil && e.cause.Kind == bench.AlertUSBLost
		switch {
		case usb == nil && under:
			e.cause = nil
		case usb == nil || e.rung || e.cause != nil || r.caused(e) != byLink:
		case !e.facts.last().Before(usb.facts.since.Add(-together)):
			p := usb.alert.Point()
			e.cause = &p
			r.hasten(usb, e)
		}
	}
}

// hasten tells a cause no later, and no less gravely, than what it takes along.
func (r *Rules) hasten(cause, e *entry) {
	if e.due.Before(cause.due) {
		cause.due = e.due
	}
	if e.facts.severity == bench.Danger && cause.facts.severity != bench.Danger {
		f := cause.facts
		f.severity = bench.Danger
		r.rewrite(cause, f, "a goal is at stake")
	}
}

// keepCauses makes hubs and supplies stand while anything is part of them.
func (r *Rules) keepCauses() {
	parts := map[bench.AlertPoint][]*entry{}
	var points []bench.AlertPoint
	for _, e := range r.order {
		if e.cause == nil || e.cause.Kind == bench.AlertUSBLost || e.isCause() {
			continue
		}
		if parts[*e.cause] == nil {
			points = append(points, *e.cause)
		}
		parts[*e.cause] = append(parts[*e.cause], e)
	}
	for _, p := range points {
		r.keepCause(p, parts[p])
	}
	for _, e := range slices.Clone(r.order) {
		if e.isCause() && e.facts.kind != bench.AlertUSBLost && parts[e.alert.Point()] == nil {
			r.endCause(e)
		}
	}
}

// endCause ends a cause that nothing is part of any more: all is back, or belongs
// to a wider one.
func (r *Rules) endCause(e *entry) {
	for _, id := range e.members {
		for _, o := range r.order {
			if o.cause != nil && o.alert.Station == id && !o.isCause() {
				e.cause = o.cause
				return
			}
		}
	}
	r.close(e, "all its stations are back")
}

// keepCause makes one stand, or brings its words up to date.
func (r *Rules) keepCause(p bench.AlertPoint, parts []*entry) {
	e := r.points[p]
	if e != nil && e.restored && r.warming() {
		return
	}
	f := r.factsOfCause(p, parts, e)
	if e == nil {
		e = r.add(&entry{facts: f, alert: f.write(), due: parts[0].due, members: f.others})
	}
	for _, o := range parts {
		if o.due.Before(e.due) {
			e.due = o.due
		}
	}
	why := "some of its stations are back"
	switch {
	case len(f.others) > len(e.members):
		why = "more stations went with it"
	case f.down == e.facts.down || f.down == len(f.others):
		why = "more is known of its stations"
	}
	e.cause, e.members = nil, f.others
	r.rewrite(e, f, why)
}

// factsOfCause sums up what is part of a cause.
func (r *Rules) factsOfCause(p bench.AlertPoint, parts []*entry, old *entry) facts {
	f := facts{kind: p.Kind, rule: p.Rule, severity: bench.Caution, zone: r.o.Zone, since: parts[0].facts.last()}
	if old != nil {
		f.others, f.severity, f.event = r.stillOf(p, old.members), old.facts.severity, old.facts.event
	}
	down, fell := map[string]bool{}, map[string]bool{}
	for _, e := range parts {
		if old == nil && e.facts.last().Before(f.since) {
			f.since = e.facts.last()
		}
		if e.facts.severity == bench.Danger {
			f.severity = bench.Danger
		}
		if e.facts.goal != "" {
			f.goals++
		}
		f.event = cmp.Or(f.event, e.facts.event)
		down[e.alert.Station] = true
		if e.facts.kind != bench.AlertSupplyLost {
			fell[e.alert.Station] = true
		}
		f.others = append(f.others, e.alert.Station)
	}
	slices.Sort(f.others)
	f.others = slices.Compact(f.others)
	f.down, f.quiet, f.silent = len(down), len(down)-len(fell), len(fell) == 0
	if !f.silent && (old == nil || old.facts.silent) && r.armedAt(p) {
		f.severity = bench.Danger
	}
	f.unseen, f.until = unseenAll(parts, old)
	var names []string
	names, f.ports = r.namesOf(f.others)
	f.why = inLines(names)
	return f
}

// unseenAll reports that all of a cause happened while nobody watched, and when
// somebody did again.
func unseenAll(parts []*entry, old *entry) (unseen bool, until time.Time) {
	if old != nil {
		return old.facts.unseen, old.facts.until
	}
	for _, e := range parts {
		if !e.facts.unseen {
			return false, time.Time{}
		}
		if e.facts.until.After(until) {
			until = e.facts.until
		}
	}
	return true, until
}

// stillOf are the stations that a cause took along, without those that a wider
// one has taken from it.
func (r *Rules) stillOf(p bench.AlertPoint, members []string) (out []string) {
	for _, id := range members {
		moved := slices.ContainsFunc(r.order, func(e *entry) bool {
			return e.alert.Station == id && e.cause != nil && *e.cause != p && e.cause.Kind == p.Kind
		})
		if !moved {
			out = append(out, id)
		}
	}
	return out
}

// armedAt reports a goal at any station that shares a thing which seems to be
// gone. Its stations come one by one: one that had a goal must not have to ring
// again.
func (r *Rules) armedAt(p bench.AlertPoint) bool {
	for _, st := range r.stations {
		tiers := powerTiers(st)
		if p.Kind == bench.AlertHubLost {
			tiers = linkTiers(st)
		}
		if st.armed && slices.ContainsFunc(tiers, func(t tier) bool { return t.point == p }) {
			return true
		}
	}
	return false
}

// namesOf are what people call stations, and their ports.
func (r *Rules) namesOf(ids []string) (names, ports []string) {
	for _, id := range ids {
		name := id
		if st := r.stations[id]; st != nil {
			if st.Name != "" {
				name = st.Name
			}
			ports = append(ports, st.Port)
		}
		names = append(names, name)
	}
	return names, ports
}

// restoreMembers makes what a restored cause took along stand again, as parts of
// it: the stations will show whether they are back.
func (r *Rules) restoreMembers(cause *entry) {
	if cause.alert.Kind != bench.AlertHubLost && cause.alert.Kind != bench.AlertPowerLost {
		return
	}
	p := cause.alert.Point()
	for _, id := range cause.members {
		kind := bench.AlertDropped
		if cause.facts.silent {
			kind = bench.AlertSupplyLost
		}
		f := facts{kind: kind, severity: cause.alert.Severity, station: id, since: cause.alert.Since, zone: r.o.Zone}
		if st := r.stations[id]; st != nil {
			f.name = st.Name
		}
		if r.points[f.point()] != nil {
			continue
		}
		s := byPower
		if p.Kind == bench.AlertHubLost {
			s = byLink
		}
		r.add(&entry{facts: f, alert: f.write(), due: f.since, restored: true, signal: s, cause: &p})
	}
}

// usbSeen takes what one station knows of the USB watch, which is the whole
// bench's: it is lost while any station says so.
func (r *Rules) usbSeen(st *station, lost time.Time, why []string) {
	p := bench.AlertPoint{Kind: bench.AlertUSBLost}
	old := r.points[p]
	if st.usb.Equal(lost) && (old == nil || !lost.IsZero()) {
		return
	}
	st.usb = lost
	since := lost
	for _, o := range r.stations {
		if !o.usb.IsZero() && (since.IsZero() || o.usb.Before(since)) {
			since = o.usb
		}
	}
	switch {
	case since.IsZero() && old != nil:
		r.close(old, "the USB watch works again")
	case !since.IsZero() && old == nil:
		r.open(facts{kind: bench.AlertUSBLost, severity: bench.Caution, since: since, zone: r.o.Zone, why: why})
		r.regroup = true
	}
}
