package app

import (
	"context"
	"errors"
	"slices"
	"time"

	"benchvigil/internal/api"
	"benchvigil/internal/bench"
	"benchvigil/internal/chart"
	"benchvigil/internal/ledger"
	"benchvigil/internal/trace"
	"benchvigil/internal/unit"
)

// Limits of what pages and programs may ask of the past, so that no question
// keeps the watch waiting.
const (
	longestChart = 31 * 24 * time.Hour
	lookWithin   = 15 * time.Second // a question takes no longer
	waitAtMost   = 5 * time.Second  // for its turn
	looksAtOnce  = 2
	sendWithin   = 10 * time.Minute // a recording or table of readings
	freshWithin  = 300 * time.Millisecond
	lookBack     = 24 * time.Hour // for a trouble that goes on in an interval
)

// archive answers questions about the past from the ledger. It reads by
// connections of its own: those of the watch are never taken.
type archive struct {
	r        *ledger.Reader
	flush    func(context.Context) error // commits what was read last; nil: nothing is written
	stations func() []StationPlan        // as they are now
	bench    string                      // its name
	traces   func(family string) string  // the folder of a family's references
	now      func() time.Time
	looks    chan struct{}
}

// newArchive answers from the ledger of a record; nil where none is kept.
func newArchive(r *record, p *Plan, stations func() []StationPlan, now func() time.Time) *archive {
	if r.past == nil {
		return nil
	}
	return &archive{
		r: r.past, bench: p.Bench, flush: r.store.Flush, stations: stations, now: now, looks: make(chan struct{}, looksAtOnce),
		traces: func(family string) string { return referencesIn(p.From.Profiles, family) },
	}
}

// past is the archive for pages and programs; a plain nil where there is none.
func (a *archive) past() api.Past {
	if a == nil {
		return nil
	}
	return a
}

// stationPlans are the stations as they are set up now.
func (a *assembly) stationPlans() []StationPlan { return a.setup.Load().plan.Stations }

// within runs a question when its turn comes, and for so long at most.
func (a *archive) within(ctx context.Context, limit time.Duration, do func(context.Context) error) error {
	turn := time.NewTimer(waitAtMost)
	defer turn.Stop()
	select {
	case a.looks <- struct{}{}:
		defer func() { <-a.looks }()
	case <-turn.C:
		return chart.Refuse(chart.ErrBusy, "others are looking into the past: try again in some seconds")
	case <-ctx.Done():
		return ctx.Err()
	}
	limited, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	err := do(limited)
	if limited.Err() != nil && ctx.Err() == nil {
		return chart.Refuse(chart.ErrBusy, "it takes longer than %v: ask for a shorter time", limit)
	}
	return err
}

// Chart is what a station did from one moment to another, in about so many
// columns.
func (a *archive) Chart(ctx context.Context, station string, from, to time.Time, points int) (c chart.Chart, err error) {
	if err := checkSpan(from, to); err != nil {
		return c, err
	}
	if err := checkPoints(points); err != nil {
		return c, err
	}
	if to.After(a.now().Add(-5*time.Second)) && a.flush != nil {
		brief, cancel := context.WithTimeout(ctx, freshWithin)
		_ = a.flush(brief) // the last second may be missing: better than to wait
		cancel()
	}
	err = a.within(ctx, lookWithin, func(ctx context.Context) (err error) {
		c, err = a.chart(ctx, station, from.UnixMilli(), to.UnixMilli(), points)
		return err
	})
	return c, err
}

func checkSpan(from, to time.Time) error {
	switch {
	case from.IsZero() || to.IsZero():
		return chart.Refuse(chart.ErrAsked, "from and to are needed")
	case !to.After(from):
		return chart.Refuse(chart.ErrAsked, "to is not after from")
	case to.Sub(from) > longestChart:
		return chart.Refuse(chart.ErrAsked, "from and to lie more than 31 days apart: ask for less at once")
	}
	return nil
}

func checkPoints(points int) error {
	if points < chart.FewestPoints || points > chart.MostPoints {
		return chart.Refuse(chart.ErrAsked, "points: want %d to %d", chart.FewestPoints, chart.MostPoints)
	}
	return nil
}

func (a *archive) chart(ctx context.Context, station string, from, to int64, points int) (c chart.Chart, err error) {
	began, err := a.began(ctx, station)
	if err != nil {
		return c, err
	}
	if len(began) == 0 && a.plan(station) == nil {
		return c, a.nobody(station)
	}
	drawn, err := a.draw(ctx, station, chart.Frame{From: from, To: to}, points)
	if err == nil && drawn.over {
		drawn, err = a.draw(ctx, station, chart.Fit(from, to, points), 0)
	}
	if err != nil {
		return c, err
	}
	f := drawn.frame
	c = chart.Chart{Station: station, From: f.From, To: f.To, StepMS: f.Step, Channels: drawn.channels, Unread: drawn.unread}
	until := min(f.To, a.now().UnixMilli())
	if err := a.addFacts(ctx, &c, drawn.main, began, until); err != nil {
		return c, err
	}
	if c.Modes, err = a.modes(ctx, station, began, f.From, until); err != nil {
		return c, err
	}
	c.Modes = chart.Coarse(chart.Unwatched(c.Modes, c.Gaps), f.Step)
	if err := a.addSpans(ctx, &c, until); err != nil {
		return c, err
	}
	return c, a.addMarks(ctx, &c)
}

// drawing is what was read, as lines.
type drawing struct {
	frame    chart.Frame
	channels []chart.Channel
	main     *chart.Line // whose silences are gaps; nil: the station has no readings
	over     bool        // there are more readings than wanted
	unread   []string
}

// draw reads the channels of a station: as readings where the frame has no
// columns, up to twice as many as points.
func (a *archive) draw(ctx context.Context, station string, f chart.Frame, points int) (d drawing, err error) {
	all, err := a.r.Channels(ctx, station)
	if err != nil {
		return d, err
	}
	d.frame = f
	lines := map[string]*chart.Line{}
	for _, c := range all {
		if len(namesOf(c)) == 0 {
			continue
		}
		if err := a.drawChannel(ctx, &d, station, c, lines, points); err != nil || d.over {
			return d, err
		}
	}
	d.channels = []chart.Channel{}
	for _, name := range []string{chart.Amps, chart.Volts, chart.VBUSAmps, chart.VBUSVolts, chart.Celsius} {
		l := lines[name]
		if l == nil {
			continue
		}
		if d.main == nil && (name == chart.Amps || name == chart.Volts) {
			d.main = l
		}
		if f.Step == 0 {
			d.channels = append(d.channels, l.Readings(f))
		} else {
			d.channels = append(d.channels, l.Columns(f))
		}
	}
	return d, nil
}

// namesOf are the lines of a channel by the place of their values; empty for one
// that is not drawn.
func namesOf(c trace.Channel) []string {
	switch {
	case c.Kind == trace.Temperature:
		return []string{chart.Celsius}
	case c.Kind == trace.Readings && (c.Name == "" || c.Name == bench.ChannelMain):
		return []string{chart.Volts, chart.Amps}
	case c.Kind == trace.Readings && c.Name == bench.ChannelVBUS:
		return []string{chart.VBUSVolts, chart.VBUSAmps}
	}
	return nil
}

func (a *archive) drawChannel(ctx context.Context, d *drawing, station string, c trace.Channel, lines map[string]*chart.Line, points int) error {
	f, names := d.frame, namesOf(c)
	for _, name := range names {
		if lines[name] == nil {
			lines[name] = chart.NewLine(name)
		}
	}
	q := ledger.Query{Station: station, From: time.UnixMilli(f.From), To: time.UnixMilli(f.To - 1)}
	if c.Kind == trace.Readings && f.Step > 0 && !f.Fine() {
		for r, err := range a.r.Rollups(ctx, q, c.Name) {
			if err = d.note(ctx, err); err != nil {
				return err
			}
			for v, name := range names {
				lines[name].Add(chart.OfRollup(&r, v))
			}
		}
		return nil
	}
	n := 0
	for p, err := range a.r.Points(ctx, q, c) {
		if err = d.note(ctx, err); err != nil {
			return err
		}
		for v, name := range names {
			lines[name].Add(chart.OfPoint(&p, v))
		}
		if n++; f.Step == 0 && n > 2*points {
			d.over = true
			return nil
		}
	}
	return nil
}

// mostUnread bounds what is said of parts that cannot be read.
const mostUnread = 20

// note takes what cannot be read for a part that is missing; only the end of the
// time is an error.
func (d *drawing) note(ctx context.Context, err error) error {
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case err != nil && !errors.Is(err, ledger.ErrDamaged):
		return err
	case err != nil && len(d.unread) < mostUnread:
		d.unread = append(d.unread, err.Error())
	}
	return nil
}

// began are the stretches of a station's time.
func (a *archive) began(ctx context.Context, station string) (out []chart.Began, err error) {
	for s, err := range a.r.Stretches(ctx, station) {
		if err != nil {
			return nil, err
		}
		out = append(out, chart.Began{At: s.Began.UnixMilli(), Anew: s.Anew})
	}
	return out, nil
}

// addFacts adds gaps, and what changed on the port.
func (a *archive) addFacts(ctx context.Context, c *chart.Chart, main *chart.Line, began []chart.Began, until int64) error {
	var facts []chart.Fact
	var usb []chart.USBChange
	q := ledger.Query{Station: c.Station, From: time.UnixMilli(c.From).Add(-lookBack), To: time.UnixMilli(c.To)}
	for f, err := range a.r.Facts(ctx, q) {
		if errors.Is(err, ledger.ErrDamaged) {
			c.Unread = append(c.Unread, err.Error())
			continue
		}
		if err != nil {
			return err
		}
		at := f.At.UnixMilli()
		facts = append(facts, chart.Fact{At: at, Fact: f.Fact})
		if u, is := f.Fact.(bench.USB); is && at >= c.From {
			usb = append(usb, chart.USBChange{At: at, Text: chart.USBText(u)})
		}
	}
	left := 0
	c.USB, left = chart.Newest(usb)
	c.LeftOut += left
	known := chart.Known(facts, began, until)
	var silent []chart.Gap
	if main != nil {
		silent = main.Silences(c.From, until)
		if at, kept, err := a.r.Oldest(ctx, c.Station); err != nil {
			return err
		} else if kept {
			known = append(known, chart.Unkept(at, began, c.From)...)
		}
	}
	c.Gaps = chart.Explain(known, silent, began, c.From, until)
	return nil
}

func (a *archive) modes(ctx context.Context, station string, began []chart.Began, from, until int64) ([]chart.ModeSpan, error) {
	changes, err := a.r.ModeChanges(ctx, ledger.Query{Station: station, From: time.UnixMilli(from), To: time.UnixMilli(until)})
	if err != nil && !errors.Is(err, ledger.ErrDamaged) {
		return nil, err
	}
	return chart.Modes(changes, began, from, until, a.labels(station)), nil
}

// labels are the words of a station's family for modes.
func (a *archive) labels(station string) func(bench.Mode) string {
	if p := a.plan(station); p != nil && p.Profile != nil {
		return p.Profile.Label
	}
	return func(m bench.Mode) string { return string(m) }
}

// plan is how a station is set up now; nil for one that was there once.
func (a *archive) plan(station string) *StationPlan {
	all := a.stations()
	if i := slices.IndexFunc(all, func(p StationPlan) bool { return p.ID == station }); i >= 0 {
		return &all[i]
	}
	return nil
}

// addSpans adds runs and watches.
func (a *archive) addSpans(ctx context.Context, c *chart.Chart, until int64) error {
	q := ledger.Query{Station: c.Station, From: time.UnixMilli(c.From), To: time.UnixMilli(until)}
	runs, watches := []chart.RunSpan{}, []chart.WatchSpan{}
	for r, err := range a.r.Runs(ctx, q) {
		if err != nil {
			return err
		}
		if n := len(runs); n > 0 && runs[n-1].Outcome == "unseen" {
			runs[n-1].To = min(runs[n-1].To, r.Started.UnixMilli())
		}
		s := chart.RunSpan{ID: r.ID, From: max(c.From, r.Started.UnixMilli()), To: until, Outcome: r.Outcome, Kind: r.Kind}
		if !r.Ended.IsZero() {
			s.To = min(until, r.Ended.UnixMilli())
		}
		if !r.Met.IsZero() {
			s.WindowMet = r.Met.UnixMilli()
		}
		runs = append(runs, s)
	}
	for w, err := range a.r.Watches(ctx, q) {
		if err != nil {
			return err
		}
		s := chart.WatchSpan{From: max(c.From, w.Armed.UnixMilli()), To: until, Goal: w.Goal, Outcome: w.Outcome, Kind: w.Kind}
		if !w.Ended.IsZero() {
			s.To = min(until, w.Ended.UnixMilli())
		}
		watches = append(watches, s)
	}
	var left [2]int
	c.Runs, left[0] = chart.Newest(runs)
	c.Watches, left[1] = chart.Newest(watches)
	c.LeftOut += left[0] + left[1]
	return nil
}

// addMarks adds what happened, and what people said.
func (a *archive) addMarks(ctx context.Context, c *chart.Chart) error {
	q := ledger.Query{Station: c.Station, From: time.UnixMilli(c.From), To: time.UnixMilli(c.To - 1)}
	var marks []chart.EventMark
	for e, err := range a.r.StationEvents(ctx, q) {
		if errors.Is(err, ledger.ErrDamaged) {
			c.Unread = append(c.Unread, err.Error())
			continue
		}
		if err != nil {
			return err
		}
		if m, shown := chart.MarkOf(e); shown {
			marks = append(marks, m)
		}
	}
	for f, err := range a.r.Marks(ctx, q) {
		if errors.Is(err, ledger.ErrDamaged) {
			c.Unread = append(c.Unread, err.Error())
			continue
		}
		if err != nil {
			return err
		}
		if m, is := f.Fact.(bench.Mark); is {
			marks = append(marks, chart.PersonsMark(f.At.UnixMilli(), f.Seq, m))
		}
	}
	left := 0
	c.Events, left = chart.Few(marks)
	c.LeftOut += left
	return nil
}

// lengthOf is a run's length, so far if it goes on.
func lengthOf(r *ledger.Run, now time.Time) unit.Maybe[time.Duration] {
	if r.Outcome == "running" {
		return unit.Some(max(0, now.Sub(r.Started)))
	}
	return r.Uptime()
}
