package web

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/chart"
	"benchvigil/internal/logkey"
)

// Past answers questions about what the bench keeps. Errors that are chart.ErrNothing,
// chart.ErrAsked or chart.ErrBusy are sentences for people; it bounds how long it takes by
// itself.
type Past interface {
	Chart(ctx context.Context, station string, from, to time.Time, points int) (chart.Chart, error)
	Survival(ctx context.Context, station string) (chart.Survival, error)
	Signature(ctx context.Context, station string) (chart.Signature, error)
	Runs(ctx context.Context, q chart.HistoryQuery) (chart.RunPage, error)
	Totals(ctx context.Context, q chart.HistoryQuery) (chart.Totals, error)
	Watches(ctx context.Context, q chart.HistoryQuery) (chart.WatchPage, error)
	Compare(ctx context.Context, a, b string, points int) (chart.Comparison, error)
}

// DeskTile is what stands now, with the evidence for it.
type DeskTile struct {
	Tile
	Reasons []Reason
	Moment  int64  // Unix ms at the bench, whole seconds
	PastKey string // changes with what the ledger says of the hook-up
}

// standing is it without what ticks.
func (d *DeskTile) standing() DeskTile {
	return DeskTile{Tile: d.Tile.standing(), Reasons: d.Reasons, PastKey: d.PastKey}
}

// beside is what a desk shows of a station besides its tile.
func beside(s *bench.Snapshot, zone *time.Location) DeskTile {
	return DeskTile{Reasons: reasons(s, clock{zone, s.At}), Moment: s.At.Unix() * 1000, PastKey: pastKey(s)}
}

// deskTile finds what a desk shows of a station.
func (l *Look) deskTile(station string) (DeskTile, bool) {
	t, ok := l.tileFor(station, deskPath(station))
	d := l.beside[station]
	d.Tile = t
	return d, ok
}

// Desk is the page of one station for a desk: all that is known of it.
type Desk struct {
	Look
	Tile   DeskTile
	Kept   bool // there is a ledger
	Whole  extent
	Offset []clockChange // of the clock shown
	Past   PastPart
}

// extent is a time in Unix ms.
type extent struct{ From, To int64 }

// clockChange is since when, in Unix ms, a clock is so many minutes from UTC.
type clockChange [2]int64

// A chart is told of the clock's changes so long before and after a moment: what it shows
// of the past, and how long a page may stay open.
const (
	clockBefore = 400 * 24 * time.Hour
	clockAfter  = 200 * 24 * time.Hour
)

// clockChanges are those around a moment, the earliest first.
func clockChanges(at time.Time, zone *time.Location) []clockChange {
	var out []clockChange
	for t := at.Add(-clockBefore).In(zone); ; {
		_, seconds := t.Zone()
		out = append(out, clockChange{t.UnixMilli(), int64(seconds) / 60})
		_, end := t.ZoneBounds()
		if end.IsZero() || end.After(at.Add(clockAfter)) {
			return out
		}
		t = end
	}
}

// inJSON is a value for scripts.
func inJSON(changes []clockChange) string {
	b, _ := json.Marshal(changes) // whole numbers alone
	return string(b)
}

// PastPart is what the ledger says of a hook-up.
type PastPart struct {
	Station  string
	Runs     []PastRun
	Survival *Lasting
	Start    *Starting
	Trouble  []string // what could not be said
}

// PastRun is one run of the hook-up.
type PastRun struct {
	Began, Lasted, Outcome, Window string
	Severity                       Severity
	Zoom                           string // the part of the address that shows it in the chart
}

// Reason is the evidence of something that stands now.
type Reason struct {
	What string
	At   string
	Why  []string
}

// A chart begins so long ago, unless a run or a watch goes on for longer.
const (
	wholeChart = 12 * time.Hour
	pastRuns   = 200 // that are looked through for those of the hook-up
	shownRuns  = 40
	askPast    = 5 * time.Second
)

// deskPath is the page of a station for a desk.
func deskPath(station string) string { return "/station/" + url.PathEscape(station) }

func toDesk(station, kind string) string { return deskPath(station) + "?marked=" + kind }

func (s *Site) serveDesk(w http.ResponseWriter, r *http.Request) {
	l, id := s.lookOf(r), r.PathValue("station")
	one, ok := s.find(id)
	t, shown := l.deskTile(id)
	if !ok || !shown {
		s.refuse(w, r, http.StatusNotFound, "There is no such station on this bench.")
		return
	}
	l.Live, l.Title, l.Slow = "/live?desk="+url.QueryEscape(id), t.Title(), true
	l.Sheets, l.Scripts = []string{"chart.css", "station.css"}, []string{"station.js"}
	l.say(s.answered(r, deskPath(id)), deskPath(id))
	d := Desk{Look: l, Tile: t, Kept: s.o.Past != nil, Whole: wholeOf(&one), Offset: clockChanges(one.At, s.o.Zone), Past: s.pastOf(r, &one)}
	s.serve(w, http.StatusOK, deskPage(&d))
}

func (s *Site) serveDeskPast(w http.ResponseWriter, r *http.Request) {
	one, ok := s.find(r.PathValue("station"))
	if !ok || s.o.Past == nil {
		s.refuse(w, r, http.StatusNotFound, "There is no such station on this bench.")
		return
	}
	s.serve(w, http.StatusOK, pastPart(s.pastOf(r, &one)))
}

// wholeOf is what a chart of a station shows when nothing else is asked for.
func wholeOf(s *bench.Snapshot) extent {
	from := s.At.Add(-wholeChart)
	if s.Run != nil && s.Run.Start.Before(from) {
		from = s.Run.Start
	}
	if s.Watch != nil && s.Watch.Armed.Before(from) {
		from = s.Watch.Armed
	}
	return extent{from.UnixMilli(), s.At.UnixMilli()}
}

// pastOf asks the ledger. What it cannot say is said in its place.
func (s *Site) pastOf(r *http.Request, one *bench.Snapshot) PastPart {
	p := PastPart{Station: one.Station}
	if s.o.Past == nil {
		return p
	}
	ctx, cancel := context.WithTimeout(r.Context(), askPast)
	defer cancel()
	c := clock{s.o.Zone, one.At}
	v, err := s.o.Past.Survival(ctx, one.Station)
	if s.told(&p, "How long runs last", err) {
		p.Survival = lastingOf(&v)
	}
	runs, err := s.o.Past.Runs(ctx, chart.HistoryQuery{Station: one.Station, Limit: pastRuns})
	if s.told(&p, "The runs", err) {
		p.Runs = runsOf(runs.Items, v.Hookup, c)
	}
	g, err := s.o.Past.Signature(ctx, one.Station)
	if s.told(&p, "The last start", err) {
		p.Start = startingOf(&g, c)
	}
	return p
}

// told reports that there is an answer, and notes why there is none.
func (s *Site) told(p *PastPart, what string, err error) bool {
	switch {
	case err == nil:
		return true
	case errors.Is(err, chart.ErrNothing), errors.Is(err, chart.ErrBusy), errors.Is(err, chart.ErrAsked):
		p.Trouble = append(p.Trouble, what+": "+strings.TrimRight(err.Error(), ".")+".")
	case errors.Is(err, context.Canceled): // nobody is there any more
	default:
		s.o.Logger.Warn("the page of a station cannot say all", logkey.Station(p.Station), zap.String("what", what), logkey.Err(err))
		p.Trouble = append(p.Trouble, what+" cannot be read now; the log says why.")
	}
	return false
}

// runsOf are the runs of one hook-up, the newest first.
func runsOf(rows []chart.RunRow, hookup int, c clock) (out []PastRun) {
	for i := range rows {
		if r := &rows[i]; r.Hookup == hookup && len(out) < shownRuns {
			out = append(out, runOf(r, c))
		}
	}
	return out
}

func runOf(r *chart.RunRow, c clock) PastRun {
	p := PastRun{Began: c.at(r.Began), Lasted: "not known", Outcome: capital(r.Outcome), Severity: Neutral, Zoom: zoomTo(r, c.now)}
	if r.UptimeS > 0 || r.Outcome == "running" {
		p.Lasted = span(r.Uptime())
	}
	switch r.Outcome {
	case "running":
		p.Outcome, p.Severity = "Goes on", Normal
	case "dropped":
		p.Outcome, p.Severity = "Dropped"+ending(r.Kind), Danger
	case "stopped":
		p.Outcome = "Stopped" + ending(r.Kind)
	case "unseen":
		p.Outcome = "Nobody saw the end"
	}
	switch {
	case !r.WindowMet.IsZero():
		p.Window = "met at " + c.at(r.WindowMet)
	case r.Missed:
		p.Window = "missed"
	}
	if r.Assumed {
		p.Began = "before " + p.Began
	}
	return p
}

// zoomTo shows a run with some time around it.
func zoomTo(r *chart.RunRow, now time.Time) string {
	end := cmp.Or(r.Ended, r.Began.Add(r.Uptime()))
	if r.Outcome == "running" {
		end = now
	}
	around := max(end.Sub(r.Began)/20, 3*time.Second)
	return viewPart(r.Began.Add(-around), end.Add(around))
}

// viewPart is the part of an address that shows a time in the chart.
func viewPart(from, to time.Time) string {
	return "#t=" + strconv.FormatInt(from.UnixMilli(), 10) + "," + strconv.FormatInt(to.UnixMilli(), 10)
}

// reasons are why the state is what it is: of the mode, the run, the window and the
// watch that stand now, what was concluded from what.
func reasons(s *bench.Snapshot, c clock) (out []Reason) {
	for _, want := range standing(s) {
		if i := slices.IndexFunc(s.Recent, want); i >= 0 {
			e := s.Recent[i]
			if len(e.Data.Why) > 0 {
				out = append(out, Reason{sentence(e), c.at(shownAt(e)), e.Data.Why})
			}
		}
	}
	if s.Gap != nil && s.Gap.Why != "" {
		out = append(out, Reason{"Nobody watched", c.at(s.Gap.From), []string{s.Gap.Why}})
	}
	return out
}

// standing picks the events whose conclusions are in force.
func standing(s *bench.Snapshot) []func(bench.Event) bool {
	is := func(types ...bench.EventType) func(bench.Event) bool {
		return func(e bench.Event) bool { return slices.Contains(types, e.Type) }
	}
	out := []func(bench.Event) bool{func(e bench.Event) bool { return e.Type == bench.ModeChanged && e.Data.To == s.Mode }}
	if !s.Stalled.IsZero() {
		out = append(out, is(bench.StallRaised))
	}
	if s.Run == nil {
		return append(out, is(bench.RunDropped, bench.RunStopped), is(bench.WindowMissed))
	}
	out = append(out, is(bench.RunStarted, bench.RunUnwatched))
	if !s.Run.WindowMet.IsZero() {
		out = append(out, is(bench.WindowMet))
	}
	return out
}

// pastKey changes when a run began or ended, or the hook-up changed.
func pastKey(s *bench.Snapshot) string {
	began, ended := "", ""
	if s.Run != nil {
		began = s.Run.Start.UTC().Format(time.RFC3339Nano)
	}
	if s.LastRun != nil {
		ended = s.LastRun.End.UTC().Format(time.RFC3339Nano)
	}
	return began + " " + ended + " " + strconv.FormatUint(s.Counts.Drops, 10)
}

// stillColumns is how many columns a picture without script has.
const stillColumns = 500

// serveStill is the chart as a picture, for who has no script.
func (s *Site) serveStill(w http.ResponseWriter, r *http.Request) {
	one, ok := s.find(r.PathValue("station"))
	if !ok || s.o.Past == nil {
		http.Error(w, "There is no such chart on this bench.", http.StatusNotFound)
		return
	}
	whole := wholeOf(&one)
	c, err := s.o.Past.Chart(r.Context(), one.Station, time.UnixMilli(whole.From), time.UnixMilli(whole.To), stillColumns)
	if err != nil {
		s.o.Logger.Warn("a chart cannot be drawn", logkey.Station(one.Station), logkey.Err(err))
		http.Error(w, "The chart cannot be drawn now; the log says why.", http.StatusServiceUnavailable)
		return
	}
	b, err := render(stillPicture(wholePicture(&c, s.o.Zone)))
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "image/svg+xml")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(b) // the client has gone
}
