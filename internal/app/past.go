package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/chart"
	"benchvigil/internal/infer"
	"benchvigil/internal/ledger"
	"benchvigil/internal/profile"
	"benchvigil/internal/recording"
	"benchvigil/internal/signature"
	"benchvigil/internal/unit"
)

// runRow is a run as tables have it, but for names and cases.
func runRow(r *ledger.Run, now time.Time) chart.RunRow {
	return chart.RunRow{
		ID: r.ID, Station: r.Station, Began: r.Started, Assumed: r.Assumed, Ended: r.Ended,
		LastedS: chart.Seconds(r.Uptime()), UptimeS: chart.Seconds(lengthOf(r, now)), Outcome: r.Outcome, Kind: r.Kind,
		WindowS: r.Window.Seconds(), WindowMet: r.Met, Missed: !r.Missed.IsZero(), Restarts: r.Restarts, Stalls: r.Stalls, Hookup: r.Hookup, Profile: r.Profile,
	}
}

// watchRow is a watch as tables have it, but for names and cases.
func watchRow(w *ledger.Watch) chart.WatchRow {
	row := chart.WatchRow{ID: w.ID, Station: w.Station, Goal: w.Goal, By: w.By, Armed: w.Armed, Ended: w.Ended, Outcome: w.Outcome, Kind: w.Kind}
	if !w.Ended.IsZero() {
		row.LastedS = chart.Seconds(unit.Some(w.Ended.Sub(w.Armed)))
	}
	return row
}

// How runs and watches end, or go on.
var (
	runOutcomes   = []string{"running", "dropped", "stopped", "unseen"}
	watchOutcomes = []string{"armed", "done", "failed"}
)

// page is how a page of rows is asked of the ledger: one more than it shows, to
// know whether there is another.
func page(q chart.HistoryQuery, outcomes []string) (ledger.Query, int, error) {
	limit := q.Limit
	if limit == 0 {
		limit = chart.UsualRows
	}
	out := ledger.Query{Station: q.Station, From: q.From, To: q.To, Outcome: q.Outcome, Newest: limit + 1}
	if q.Case != "" {
		out.Newest = math.MaxInt32 // the ledger knows no cases of runs: it is read on until a page is full
	}
	switch {
	case q.Outcome != "" && !slices.Contains(outcomes, q.Outcome):
		return out, 0, chart.Refuse(chart.ErrAsked, "outcome %q is none: there are %s", q.Outcome, strings.Join(outcomes, ", "))
	case limit < 1 || limit > chart.MostRows:
		return out, 0, chart.Refuse(chart.ErrAsked, "limit: want 1 to %d", chart.MostRows)
	case !q.From.IsZero() && !q.To.IsZero() && q.To.Before(q.From):
		return out, 0, chart.Refuse(chart.ErrAsked, "to is before from")
	case q.Cursor == "":
		return out, limit, nil
	}
	var err error
	out.Before, err = chart.ParseCursor(q.Cursor)
	return out, limit, err
}

// Runs is a page of runs, the newest first.
func (a *archive) Runs(ctx context.Context, q chart.HistoryQuery) (p chart.RunPage, err error) {
	lq, limit, err := page(q, runOutcomes)
	if err != nil {
		return p, err
	}
	p.Items = []chart.RunRow{}
	err = a.labelled(ctx, func(ctx context.Context, label labeller) (err error) {
		p.Next, err = fill(a.r.Runs(ctx, lq), limit, &p.Items, func(r *ledger.Run) (chart.RunRow, int64, bool) {
			row := label.run(r, a.now())
			return row, r.Seq, q.Case == "" || row.Case == q.Case
		})
		return err
	})
	return p, err
}

// Watches is a page of watches, the newest first.
func (a *archive) Watches(ctx context.Context, q chart.HistoryQuery) (p chart.WatchPage, err error) {
	lq, limit, err := page(q, watchOutcomes)
	if err != nil {
		return p, err
	}
	p.Items = []chart.WatchRow{}
	err = a.labelled(ctx, func(ctx context.Context, label labeller) (err error) {
		p.Next, err = fill(a.r.Watches(ctx, lq), limit, &p.Items, func(w *ledger.Watch) (chart.WatchRow, int64, bool) {
			row := watchRow(w)
			row.Name, row.Case = label.names[w.Station], label.caseOf(w.Station, w.Ended)
			return row, w.Seq, q.Case == "" || row.Case == q.Case
		})
		return err
	})
	return p, err
}

// fill makes rows of what the ledger has until a page is full; next is the cursor
// of the page after it, where there is one.
func fill[R, Row any](found iter.Seq2[R, error], limit int, page *[]Row, make func(*R) (row Row, seq int64, picked bool)) (next string, err error) {
	last := int64(0)
	for r, err := range found {
		if err != nil {
			return "", err
		}
		row, seq, picked := make(&r)
		switch {
		case !picked:
			continue
		case len(*page) == limit:
			return chart.Cursor(last), nil
		}
		last = seq
		*page = append(*page, row)
	}
	return "", nil
}

// Totals sums up all runs that a filter picks; its page is of no account.
func (a *archive) Totals(ctx context.Context, q chart.HistoryQuery) (t chart.Totals, err error) {
	q.Limit, q.Cursor = 0, ""
	lq, _, err := page(q, runOutcomes)
	if err != nil {
		return t, err
	}
	lq.Newest = 0
	err = a.labelled(ctx, func(ctx context.Context, label labeller) error {
		var sum chart.Count
		for r, err := range a.r.Runs(ctx, lq) {
			if err != nil {
				return err
			}
			if row := label.run(&r, a.now()); q.Case == "" || row.Case == q.Case {
				sum.Add(&row)
			}
		}
		t = sum.Totals()
		return nil
	})
	return t, err
}

// labelled looks at the ledger with the names and cases of stations at hand.
func (a *archive) labelled(ctx context.Context, look func(context.Context, labeller) error) error {
	return a.within(ctx, lookWithin, func(ctx context.Context) error {
		label, err := a.labeller(ctx)
		if err != nil {
			return err
		}
		return look(ctx, label)
	})
}

// labeller knows what stations are called and to which case they belonged.
type labeller struct {
	names map[string]string
	cases map[string][]ledger.Case // by time
}

func (a *archive) labeller(ctx context.Context) (labeller, error) {
	l := labeller{map[string]string{}, map[string][]ledger.Case{}}
	for _, s := range a.stations() {
		l.names[s.ID] = s.Name
	}
	for c, err := range a.r.Cases(ctx) {
		if err != nil {
			return l, err
		}
		l.cases[c.Station] = append(l.cases[c.Station], c)
	}
	return l, nil
}

func (l *labeller) run(r *ledger.Run, now time.Time) chart.RunRow {
	row := runRow(r, now)
	ended := r.Ended
	if r.Outcome == "unseen" {
		ended = r.Started
	}
	row.Name, row.Case = l.names[r.Station], l.caseOf(r.Station, ended)
	return row
}

// caseOf is the case that a station belonged to at last up to a moment: it may
// be said while the run goes on. Zero: up to now.
func (l *labeller) caseOf(station string, until time.Time) string {
	said := l.cases[station]
	n := len(said)
	if !until.IsZero() {
		n = sort.Search(n, func(i int) bool { return said[i].At > until.UnixMilli() })
	}
	if n == 0 {
		return ""
	}
	return said[n-1].Number
}

// Survival is how long the runs of the hook-up on a station stayed up.
func (a *archive) Survival(ctx context.Context, station string) (s chart.Survival, err error) {
	sp := a.plan(station)
	if sp == nil {
		return s, a.nobody(station)
	}
	err = a.within(ctx, lookWithin, func(ctx context.Context) error {
		number, runs, err := a.r.HookupRuns(ctx, station)
		if err != nil {
			return err
		}
		ran := make([]chart.Ran, 0, len(runs))
		for i := range runs {
			row := runRow(&runs[i], a.now())
			begin, err := a.origin(ctx, &runs[i], &row, sp.Profile.WindowFromPower)
			if err != nil {
				return err
			}
			ran = append(ran, chart.Ran{Row: row, Begin: begin})
		}
		s = chart.SurvivalOf(ran, sp.window())
		s.Station, s.Hookup, s.Profile, s.From = station, number, sp.Profile.Name, "started"
		if sp.Profile.WindowFromPower {
			s.From = "power"
		}
		return nil
	})
	return s, err
}

// origin is where the window of a run began.
func (a *archive) origin(ctx context.Context, r *ledger.Run, row *chart.RunRow, fromPower bool) (time.Time, error) {
	until := r.Ended
	if until.IsZero() {
		until = a.now()
	}
	changes, err := a.r.ModeChanges(ctx, ledger.Query{Station: r.Station, From: r.Started, To: until})
	return chart.Origin(row, changes, fromPower, until), err
}

func (s *StationPlan) window() time.Duration {
	if s.Window > 0 {
		return s.Window
	}
	return s.Profile.Window
}

func (a *archive) nobody(station string) error {
	return chart.Refuse(chart.ErrNothing, "no station %q on this bench", station)
}

// How much is read around the start of a run, to find it again.
const (
	beforeStart = 15 * time.Second
	afterStart  = 75 * time.Second
	startWithin = 2 * time.Second
	shownNear   = 10 // references
)

// Signature is the last start of a station beside the references of its family.
func (a *archive) Signature(ctx context.Context, station string) (s chart.Signature, err error) {
	sp := a.plan(station)
	if sp == nil {
		return s, a.nobody(station)
	}
	err = a.within(ctx, lookWithin, func(ctx context.Context) (err error) {
		s, err = a.signature(ctx, sp)
		return err
	})
	return s, err
}

func (a *archive) signature(ctx context.Context, sp *StationPlan) (s chart.Signature, err error) {
	run, err := a.r.LastRun(ctx, sp.ID)
	if err != nil {
		return s, err
	}
	if run == nil {
		return s, chart.Refuse(chart.ErrNothing, "station %q was not seen to start yet", sp.ID)
	}
	var around bytes.Buffer
	o := CutOptions{Station: sp.ID, From: run.Started.Add(-beforeStart), To: run.Started.Add(afterStart), Say: io.Discard}
	if err := o.cut(ctx, a.r, &around); err != nil && around.Len() == 0 {
		return s, chart.Refuse(chart.ErrNothing, "the readings of the last start are not kept any more")
	}
	start, err := startAt(around.Bytes(), sp.Profile, sp.ID, run.Started)
	if err != nil {
		return s, err
	}
	dir := a.traces(sp.Profile.Name)
	all, err := loadReferences(dir, sp.Profile.Name, io.Discard)
	if err != nil {
		return s, err
	}
	c := compareStart(start, all)
	s = chart.SignatureOf(start, c.matches[:min(len(c.matches), shownNear)])
	s.Run, s.At, s.Profile, s.PassedOver = run.ID, run.Started, sp.Profile.Name, c.other
	if len(all) == 0 {
		s.Note = fmt.Sprintf("There are no known starts of %s to compare with. benchvigil trace save keeps one.", sp.Profile.Name)
	}
	return s, nil
}

// startAt is the start nearest to a moment in a recording.
func startAt(lines []byte, p *profile.Profile, station string, at time.Time) (out signature.Start, err error) {
	wiring, err := surveyOf(lines)
	if err != nil {
		return out, err
	}
	found := false
	engine := func(id string, h bench.Hookup) recording.Engine {
		return signature.Find(p, infer.Station{ID: id, Hookup: h}, func(s signature.Start) {
			if s.At.Sub(at).Abs() <= startWithin && (!found || s.At.Sub(at).Abs() < out.At.Sub(at).Abs()) {
				out, found = s, true
			}
		})
	}
	d, err := recording.NewReader(bytes.NewReader(lines), "the readings of the start")
	if err != nil {
		return out, err
	}
	defer d.Close()
	anew := func(id string, s recording.Stations) recording.Engine { return engine(id, s.Over(wiring[id])) }
	if err := recording.Replay(d, map[string]recording.Engine{station: engine(station, wiring[station])}, anew, func(bench.Event) error { return nil }); err != nil {
		return out, err
	}
	switch {
	case !found:
		return out, chart.Refuse(chart.ErrNothing, "the last start cannot be found in its readings")
	case out.Err != nil:
		return out, chart.Refuse(chart.ErrNothing, "the last start: %v", out.Err)
	}
	return out, nil
}

func surveyOf(lines []byte) (map[string]bench.Hookup, error) {
	d, err := recording.NewReader(bytes.NewReader(lines), "the readings of the start")
	if err != nil {
		return nil, err
	}
	defer d.Close()
	return recording.Survey(d)
}

// referencesIn is the folder of a family's references beside its profile.
func referencesIn(profiles, family string) string {
	return filepath.Join(profiles, "traces", fileName(family))
}

// Compare lays two runs beside each other, from their starts.
func (a *archive) Compare(ctx context.Context, first, second string, points int) (c chart.Comparison, err error) {
	if err := checkPoints(points); err != nil {
		return c, err
	}
	err = a.within(ctx, lookWithin, func(ctx context.Context) (err error) {
		c, err = a.compare(ctx, first, second, points)
		return err
	})
	return c, err
}

func (a *archive) compare(ctx context.Context, first, second string, points int) (c chart.Comparison, err error) {
	label, err := a.labeller(ctx)
	if err != nil {
		return c, err
	}
	sides := []struct {
		id   string
		side *chart.Side
	}{{first, &c.A}, {second, &c.B}}
	var long time.Duration
	for _, s := range sides {
		r, err := a.r.RunByID(ctx, s.id)
		if err != nil {
			return c, err
		}
		if r == nil {
			return c, chart.Refuse(chart.ErrNothing, "no run %q: the list of runs has their ids", s.id)
		}
		s.side.Run = label.run(r, a.now())
		long = max(long, s.side.Run.Uptime(), time.Second)
	}
	c.LongMS = min(long, longestChart).Milliseconds()
	over := false
	for _, s := range sides {
		more, err := a.side(ctx, s.side, chart.Frame{To: c.LongMS}, points)
		if err != nil {
			return c, err
		}
		over = over || more
	}
	if !over {
		return c, nil
	}
	f := chart.Fit(0, c.LongMS, points)
	c.StepMS = f.Step
	for _, s := range sides {
		if _, err := a.side(ctx, s.side, f, 0); err != nil {
			return c, err
		}
	}
	return c, nil
}

// afterRun is how much is shown after the end of a run: that the current is gone.
const afterRun = 2 * time.Second

// side draws one run into a frame that begins with it.
func (a *archive) side(ctx context.Context, s *chart.Side, f chart.Frame, points int) (over bool, err error) {
	start := s.Run.Began.UnixMilli()
	up := s.Run.Uptime().Milliseconds()
	lasts := max(1, min(f.To, up+afterRun.Milliseconds()))
	at := chart.Frame{From: start, To: start + lasts}
	if f.Step > 0 {
		at = f.Start(start, lasts)
	}
	d, err := a.draw(ctx, s.Run.Station, at, points)
	if err != nil || d.over {
		return d.over, err
	}
	for _, c := range d.channels {
		for i := range c.T {
			c.T[i] += at.From - start
		}
	}
	s.Channels = d.channels
	began, err := a.began(ctx, s.Run.Station)
	if err != nil {
		return false, err
	}
	s.Modes, err = a.modes(ctx, s.Run.Station, began, start, start+min(lasts, up))
	for i := range s.Modes {
		s.Modes[i].From, s.Modes[i].To = s.Modes[i].From-start, s.Modes[i].To-start
	}
	s.Modes = chart.Coarse(s.Modes, f.Step)
	return false, err
}

// Recording writes what was observed of a station in an interval, as record
// --from does.
func (a *archive) Recording(ctx context.Context, w io.Writer, station string, from, to time.Time) error {
	if err := checkSpan(from, to); err != nil {
		return err
	}
	return a.within(ctx, sendWithin, func(ctx context.Context) error {
		o := CutOptions{Station: station, From: from, To: to, Say: io.Discard}
		return asked(o.cut(ctx, a.r, w))
	})
}

// Trace writes the readings of a station in an interval as CSV, as trace export
// does.
func (a *archive) Trace(ctx context.Context, w io.Writer, station string, from, to time.Time, seconds bool) error {
	if err := checkSpan(from, to); err != nil {
		return err
	}
	return a.within(ctx, sendWithin, func(ctx context.Context) error {
		return asked(exportReadings(ctx, a.r, ExportOptions{
			DataOptions: DataOptions{Out: w}, Station: station, From: from, To: to, Seconds: seconds, Say: io.Discard,
		}))
	})
}

// asked turns the answer of a command into one for pages and programs.
func asked(err error) error {
	if errors.Is(err, ErrCommand) {
		return chart.Refuse(chart.ErrNothing, "nothing was recorded then")
	}
	return err
}
