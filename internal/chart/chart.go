package chart

import (
	"math"
	"strconv"
)

// The limits of what can be asked for.
const (
	FewestPoints = 100
	MostPoints   = 4000
)

// The names of channels.
const (
	Amps      = "amps"
	Volts     = "volts"
	VBUSAmps  = "vbus_amps"
	VBUSVolts = "vbus_volts"
	Celsius   = "celsius"
)

// Chart is what one station did in an interval.
type Chart struct {
	Station  string      `json:"station"`
	From     int64       `json:"from"`    // Unix ms
	To       int64       `json:"to"`      // not in it; both widened to whole columns
	StepMS   int64       `json:"step_ms"` // width of a column; 0: readings as they were read
	Channels []Channel   `json:"channels"`
	Gaps     []Gap       `json:"gaps"`
	Modes    []ModeSpan  `json:"modes"`
	Runs     []RunSpan   `json:"runs"`
	Watches  []WatchSpan `json:"watches"`
	Events   []EventMark `json:"events"`
	USB      []USBChange `json:"usb"`
	LeftOut  int         `json:"left_out,omitempty"` // events, USB changes and spans that were too many: look closer to see them
	Unread   []string    `json:"unread,omitempty"`   // what of it could not be read
}

// Channel is one line of a chart: either readings, in V, or columns, in Min,
// Mean and Max. All that are there are as long as T.
type Channel struct {
	Name  string  `json:"name"`
	Unit  string  `json:"unit"`
	Scale float64 `json:"scale"` // of the values: times this they are in Unit
	T     []int64 `json:"t"`     // ms from the chart's beginning; of a column, its own beginning
	V     Values  `json:"v,omitempty"`
	Min   Values  `json:"min,omitempty"`
	Mean  Values  `json:"mean,omitempty"`
	Max   Values  `json:"max,omitempty"`
}

// Absent is the value where nothing was read.
const Absent = math.MinInt64

// Values are whole numbers, or Absent.
type Values []int64

// MarshalJSON writes null for what is absent.
func (v Values) MarshalJSON() ([]byte, error) {
	out := make([]byte, 0, 8*len(v)+2)
	out = append(out, '[')
	for i, x := range v {
		if i > 0 {
			out = append(out, ',')
		}
		if x == Absent {
			out = append(out, "null"...)
			continue
		}
		out = strconv.AppendInt(out, x, 10)
	}
	return append(out, ']'), nil
}

// Gap is a time in which nothing was read, or in which nobody watched.
type Gap struct {
	From int64  `json:"from"`
	To   int64  `json:"to"`
	Why  string `json:"why"`
}

// ModeSpan is a time in one mode.
type ModeSpan struct {
	From  int64  `json:"from"`
	To    int64  `json:"to"`
	Mode  string `json:"mode"`
	Label string `json:"label"` // the family's own word
}

// RunSpan is a run, or what of it is in the chart.
type RunSpan struct {
	ID        string `json:"id"` // as in RunRow
	From      int64  `json:"from"`
	To        int64  `json:"to"`
	Outcome   string `json:"outcome"` // running, dropped, stopped, unseen
	Kind      string `json:"kind,omitempty"`
	WindowMet int64  `json:"window_met,omitempty"` // when; 0: it was not
}

// WatchSpan is a watch, or what of it is in the chart.
type WatchSpan struct {
	From    int64  `json:"from"`
	To      int64  `json:"to"`
	Goal    string `json:"goal"`
	Outcome string `json:"outcome"` // armed, done, failed
	Kind    string `json:"kind,omitempty"`
}

// EventMark is something that happened: a conclusion, or a person's mark.
type EventMark struct {
	At   int64    `json:"at"`
	ID   string   `json:"id"`   // the event's; of a mark "mark-" and its number
	Type string   `json:"type"` // the event's, or "mark."
	Text string   `json:"text"` // in a few words
	By   string   `json:"by,omitempty"`
	Why  []string `json:"why,omitempty"`
}

// USBChange is a change on the station's port.
type USBChange struct {
	At   int64  `json:"at"`
	Text string `json:"text"`
}
