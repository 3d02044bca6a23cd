package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"benchvigil/internal/access"
	"benchvigil/internal/bench"
	"benchvigil/internal/chart"
)

// addTold serves what happened, and what people did.
func (a *api) addTold(h huma.API) {
	a.add(h, route{
		method: http.MethodGet, path: "events", id: "list-events", summary: "What happened, page by page, the newest first",
		says: "Events as CloudEvents 1.0, in the order in which they were told; times bound when they happened. " +
			"A page ends with next, which is the cursor of the page after it, and the header Link names that page.",
		params: append([]*huma.Param{
			stationOf(), patterned(asked("type", "Only of this type, or of all below it, such as benchvigil.run.", "benchvigil.run.dropped"), typePattern, "a type of events, such as benchvigil.run.dropped"),
		}, pageParams()...),
		answers: chart.Page[bench.Envelope]{}, refuses: pastRefuses, handler: a.asking(a.events),
	})
	a.add(h, route{
		method: http.MethodGet, path: "audit", id: "list-acts", summary: "What people did or tried, page by page, the newest first", works: true,
		says:    "The trail of acts: logins, marks, acts on alerts, downloads, and what was refused. Only those who work on the bench see it.",
		params:  append([]*huma.Param{asked("who", "Only of this person, link or token.", "kim")}, pageParams()...),
		answers: chart.Page[access.Entry]{}, refuses: pastRefuses, handler: a.asking(a.audit),
	})
}

const typePattern = `^benchvigil(\.[a-z]+(-[a-z]+)*)*$`

// pageParams are those of every list that is given page by page.
func pageParams() []*huma.Param {
	return []*huma.Param{
		moments(asked("from", "Only from then on: RFC 3339, or Unix ms.", "2026-03-02T21:00:00Z")), moments(asked("to", "Only until then.", "2026-03-02T22:00:00Z")),
		counted("limit", "How many at most; 50 unless given.", 1, chart.MostRows), cursors(),
	}
}

// asking answers a question about the past.
func (a *api) asking(answer func(*http.Request, *query) (any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) { a.ask(w, r, answer) }
}

func (a *api) events(r *http.Request, q *query) (any, error) {
	eq := chart.EventQuery{
		Station: q.text("station"), Type: q.text("type"), From: q.moment("from"), To: q.moment("to"),
		Limit: q.number("limit", chart.UsualRows), Cursor: q.text("cursor"),
	}
	return answered(q, func() (any, error) {
		found, err := a.o.Past.Events(r.Context(), eq)
		out := chart.Page[bench.Envelope]{Items: make([]bench.Envelope, len(found.Items)), Next: found.Next, Unread: found.Unread}
		for i := range found.Items {
			out.Items[i] = found.Items[i].Event
		}
		return out, err
	})
}

func (a *api) audit(r *http.Request, q *query) (any, error) {
	aq := access.AuditQuery{From: q.moment("from"), To: q.moment("to"), Who: q.text("who"), Limit: q.number("limit", chart.UsualRows), Before: q.cursor()}
	return answered(q, func() (any, error) {
		found, next, err := a.o.Past.Audit(r.Context(), aq)
		out := chart.Page[access.Entry]{Items: orEmpty(found)}
		if next > 0 {
			out.Next = chart.Cursor(next)
		}
		return out, err
	})
}

// cursor is the number of the row that a page begins after; 0 where none is given.
func (q *query) cursor() int64 {
	text := q.text("cursor")
	if text == "" {
		return 0
	}
	seq, err := chart.ParseCursor(text)
	if err != nil && q.err == nil {
		q.err = err
	}
	return seq
}

// Tail is the end of the list of all that happened.
type Tail interface {
	// Since lists what was told after the event of a number, in order, and names
	// what cannot be read; Last is the newest number, 0 where nothing happened.
	Since(ctx context.Context, seq int64, most int) (told []chart.Happened, unread []string, err error)
	Last(ctx context.Context) (int64, error)
}
