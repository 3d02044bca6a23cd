package web

import (
	"cmp"
	"context"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"benchvigil/internal/access"
	"benchvigil/internal/chart"
	"benchvigil/internal/logkey"
)

// Trail is the page of what people did or tried, the newest first.
type Trail struct {
	Look
	Kept    bool // there is a ledger
	Filter  Acts
	Choices []Option // stations
	Trouble []string
	Rows    []ActRow
	Older   string // the address of the page after this one; empty: there is none
	Newest  string // the address of the first page; empty: this is it
}

// Acts is what was asked for, as it was typed.
type Acts struct {
	Who, Station string
	From, To     string // days of the bench, 2006-01-02
	before       string
}

// ActRow is one act in the table.
type ActRow struct {
	At, Who, Did, On, From, Outcome string
	Refused                         bool
}

// trailKeeper is what keeps the trail beside the past.
type trailKeeper interface {
	Audit(ctx context.Context, q access.AuditQuery) (acts []access.Entry, next int64, err error)
}

// trailPage is how many acts a page has.
const trailPage = 100

// hasTrail reports whether what people do is kept.
func (s *Site) hasTrail() bool {
	_, ok := s.o.Past.(trailKeeper)
	return ok
}

// serveAudit shows who did what. Names and addresses of people are there for those
// who work on the bench; a link of a wall has none of it.
func (s *Site) serveAudit(w http.ResponseWriter, r *http.Request) {
	if !access.Of(r.Context()).Works() {
		s.refuse(w, r, http.StatusForbidden, "Who did what is shown only to those who work on this bench. Log in as one of them.")
		return
	}
	l := s.lookOf(r)
	l.Title, l.Sheets = "Who did what · "+l.Bench, []string{"station.css", "history.css"}
	t := Trail{Look: l, Filter: actsOf(r.URL.Query())}
	t.Choices = l.stationOptions(t.Filter.Station)
	code := http.StatusOK
	keeper, kept := s.o.Past.(trailKeeper)
	t.Kept = kept
	q, wrong := t.Filter.query(s.o.Zone)
	switch {
	case len(wrong) > 0:
		t.Trouble, code = wrong, http.StatusUnprocessableEntity
	case kept:
		ctx, cancel := context.WithTimeout(r.Context(), askPast)
		defer cancel()
		s.listActs(ctx, &t, keeper, q)
	}
	s.serve(w, code, auditPage(&t))
}

// listActs fills in the rows and where more of them are.
func (s *Site) listActs(ctx context.Context, t *Trail, keeper trailKeeper, q access.AuditQuery) {
	found, next, err := keeper.Audit(ctx, q)
	if err != nil {
		s.o.Logger.Warn("the trail of acts cannot be shown", logkey.Err(err))
		t.Trouble = append(t.Trouble, "The acts cannot be read now: "+err.Error()+". Ask for fewer days, or again in a moment.")
	}
	for _, e := range found {
		t.Rows = append(t.Rows, actRow(e, s.o.Zone))
	}
	if next != 0 {
		t.Older = "/audit?" + t.Filter.encode(strconv.FormatInt(next, 10))
	}
	if t.Filter.before != "" {
		t.Newest = "/audit?" + t.Filter.encode("")
	}
}

func actRow(e access.Entry, zone *time.Location) ActRow {
	return ActRow{
		At: e.At.In(zone).Format(time.DateTime), Who: cmp.Or(e.Who, "Somebody at this computer"), Did: capital(e.Did), On: e.On, From: e.From,
		Outcome: capital(e.Outcome), Refused: e.Outcome != "done",
	}
}

func actsOf(v url.Values) Acts {
	get := func(name string) string { return strings.TrimSpace(v.Get(name)) }
	return Acts{Who: get("who"), Station: get("station"), From: get("from"), To: get("to"), before: get("before")}
}

// encode is the filter in an address, without what is empty.
func (f *Acts) encode(before string) string {
	return encode(map[string]string{"who": f.Who, "station": f.Station, "from": f.From, "to": f.To, "before": before})
}

// query is what the ledger is asked, and what is wrong with the filter.
func (f *Acts) query(zone *time.Location) (q access.AuditQuery, wrong []string) {
	days := Filter{Show: showRuns, From: f.From, To: f.To}
	var hq chart.HistoryQuery
	hq, wrong = days.query(zone)
	q = access.AuditQuery{From: hq.From, To: hq.To, Who: f.Who, Station: f.Station, Limit: trailPage}
	if f.before != "" {
		n, err := strconv.ParseInt(f.before, 10, 64)
		if err != nil || n <= 0 {
			wrong = append(wrong, "This page of the list does not exist. Begin at the newest.")
		}
		q.Before = n
	}
	return q, wrong
}
