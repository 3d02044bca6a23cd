package chart

import (
	"strconv"
	"time"

	"benchvigil/internal/bench"
)

// RunRow is one run in a table. Lengths are in seconds.
type RunRow struct {
	ID        string    `json:"id"` // the event's that began it; it never changes
	Station   string    `json:"station"`
	Name      string    `json:"name,omitempty"` // of the station, as it is called now
	Case      string    `json:"case,omitempty"`
	Began     time.Time `json:"began"`
	Assumed   bool      `json:"assumed,omitempty"` // it was going on at first sight, or while nobody watched
	Ended     time.Time `json:"ended,omitzero"`    // zero while it runs, and where nobody saw the end
	LastedS   float64   `json:"lasted_s,omitzero"` // of a run that ended; not Ended less Began where the clock was stepped
	UptimeS   float64   `json:"uptime_s,omitzero"` // the same, and of a run that goes on, so far
	Outcome   string    `json:"outcome"`           // running, dropped, stopped, unseen
	Kind      string    `json:"kind,omitempty"`    // of the drop or stop
	WindowS   float64   `json:"window_s,omitzero"` // where it was met or missed
	WindowMet time.Time `json:"window_met,omitzero"`
	Missed    bool      `json:"window_missed,omitempty"`
	Restarts  int       `json:"restarts"`
	Stalls    int       `json:"stalls"`
	Hookup    int       `json:"hookup"` // how many hook-ups of the station came before its own
	Profile   string    `json:"profile"`
}

// Lasted is how long a run that ended lasted; 0 where nobody knows.
func (r *RunRow) Lasted() time.Duration { return span(r.LastedS) }

// Uptime is how long it lasted, so far if it goes on; 0 where nobody knows.
func (r *RunRow) Uptime() time.Duration { return span(r.UptimeS) }

// Window is how long it had to last; 0 where it was neither met nor missed.
func (r *RunRow) Window() time.Duration { return span(r.WindowS) }

// WatchRow is one watch in a table.
type WatchRow struct {
	ID      string    `json:"id"` // the event's that armed it
	Station string    `json:"station"`
	Name    string    `json:"name,omitempty"`
	Case    string    `json:"case,omitempty"`
	Goal    string    `json:"goal"`
	By      string    `json:"by,omitempty"`
	Armed   time.Time `json:"armed"`
	Ended   time.Time `json:"ended,omitzero"`    // zero while it is armed
	LastedS float64   `json:"lasted_s,omitzero"` // of one that ended
	Outcome string    `json:"outcome"`           // armed, done, failed
	Kind    string    `json:"kind,omitempty"`
}

// Lasted is how long a watch that ended was armed; 0 while it is.
func (r *WatchRow) Lasted() time.Duration { return span(r.LastedS) }

// Page is a part of a list, the newest first.
type Page[T any] struct {
	Items  []T      `json:"items"`
	Next   string   `json:"next,omitempty" doc:"The cursor of the page after this one; empty: there is none."`
	Unread []string `json:"unread,omitempty" doc:"What belongs here and is damaged."`
}

// After is the cursor of the page after it.
func (p Page[T]) After() string { return p.Next }

// RunPage and WatchPage are pages of runs and watches.
type (
	RunPage   = Page[RunRow]
	WatchPage = Page[WatchRow]
)

// Cursor names a place in a list by the number of its last row.
func Cursor(seq int64) string { return strconv.FormatInt(seq, 36) }

// ParseCursor reads a place in a list. It is the same number in one form only.
func ParseCursor(text string) (int64, error) {
	seq, err := strconv.ParseInt(text, 36, 64)
	if err != nil || seq < 1 || Cursor(seq) != text {
		return 0, Refuse(ErrAsked, "cursor: %q is none that an answer gave as next: begin without one", text)
	}
	return seq, nil
}

// EventQuery picks events. Zero values pick all.
type EventQuery struct {
	Station  string
	Type     string    // this one, and all below it
	From, To time.Time // when they happened
	Limit    int       // 0: UsualRows
	Cursor   string
}

// Happened is an event with its place among all.
type Happened struct {
	Seq     int64
	Station string
	Event   bench.Envelope
}

// MostRows is how many rows a page can have, UsualRows how many it has where
// nobody asks for a number.
const (
	MostRows  = 500
	UsualRows = 50
)

// HistoryQuery picks rows. Zero values pick all.
type HistoryQuery struct {
	Station  string
	Case     string
	From, To time.Time // what touches the interval
	Outcome  string
	Limit    int    // 0: UsualRows
	Cursor   string // Next of the page before; empty: from the newest on
}

func span(s float64) time.Duration { return time.Duration(s*1000+0.5) * time.Millisecond }
