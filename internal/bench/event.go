package bench

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"net/url"
	"time"

	"benchvigil/internal/unit"
)

// EventType names a kind of conclusion.
type EventType string

// The event types.
const (
	ModeChanged      EventType = "benchvigil.mode.changed"
	RunStarted       EventType = "benchvigil.run.started"
	RunRestarted     EventType = "benchvigil.run.restarted"
	RunUnwatched     EventType = "benchvigil.run.unwatched"
	RunDown          EventType = "benchvigil.run.down" // a drop that is certain; RunDropped of the same Time follows with its kind
	RunDropped       EventType = "benchvigil.run.dropped"
	RunStopped       EventType = "benchvigil.run.stopped"
	RunReclassified  EventType = "benchvigil.run.reclassified"
	RunRegular       EventType = "benchvigil.run.regular"
	WindowMet        EventType = "benchvigil.window.met"
	WindowMissed     EventType = "benchvigil.window.missed"
	StartHung        EventType = "benchvigil.start.hung"
	StallRaised      EventType = "benchvigil.stall.raised"
	StallCleared     EventType = "benchvigil.stall.cleared"
	WatchArmed       EventType = "benchvigil.watch.armed"
	WatchDone        EventType = "benchvigil.watch.done"
	WatchFailed      EventType = "benchvigil.watch.failed"
	CurrentHigh      EventType = "benchvigil.current.high"
	CurrentDrifting  EventType = "benchvigil.current.drifting"
	CurrentCollapsed EventType = "benchvigil.current.collapsed"
	SupplyLost       EventType = "benchvigil.supply.lost"
	SupplyBack       EventType = "benchvigil.supply.back"
	USBLost          EventType = "benchvigil.usb.lost"
	USBBack          EventType = "benchvigil.usb.back"
)

// Kinds of a drop (Data.Kind of RunDropped).
const (
	Died     = "died"      // stays off
	Reset    = "reset"     // came back by itself, the supply held its volts
	BrownOut = "brown-out" // the volts sagged, or the supply sat in its current limit
	LinkLost = "link-lost" // USB went away and there are no readings to ask
)

// Resumed is the Data.Kind of a RunStarted and a WatchArmed that go on because a
// stop was a mistake: they are the ones that had begun at that Time.
const Resumed = "resumed"

// Unproven is the Data.Kind of a RunStarted after a time without a watch: nothing
// shows whether it is the run that went on before, whose end is unseen. A
// StallCleared of this kind is a stall of that run: nothing was seen to move.
const Unproven = "unproven"

// How sure it is that the run which went on before a time without a watch is the
// one that goes on after it (Data.Kind of RunUnwatched).
const (
	SameRun    = "proven"  // the device kept its number on the bus
	AssumedRun = "assumed" // nobody can know
)

// Kinds of a stop (Data.Kind of RunStopped).
const (
	StoppedByMark   = "mark"
	StoppedByOutput = "output-off"
	StoppedByHands  = "hands-on" // it went down while a person was at it
)

// How a watch ended (Data.Kind of WatchFailed). Only the first two are the
// board's doing.
const (
	WatchDropped  = "dropped"  // the run dropped before
	WatchLate     = "late"     // its time is over
	WatchStopped  = "stopped"  // a person or a routine ended the run
	WatchDisarmed = "disarmed" // a person disarmed it
	WatchReplaced = "replaced" // another goal was armed in its place
)

// WatchMarked is the Data.Kind of a WatchDone that a person said; without a kind
// the evidence shows it.
const WatchMarked = "marked"

// Kinds of a high current (Data.Kind of CurrentHigh).
const (
	OverLimit = "limit" // above the limit of the mode
	Leak      = "leak"  // in standby, where a healthy board draws next to nothing
)

// Event is one conclusion about one station. Time is when it happened, found
// backwards if need be; Concluded is when the observations allowed the
// conclusion. Count numbers the station's events from 1.
type Event struct {
	Station   string
	Type      EventType
	Time      time.Time
	Concluded time.Time
	Count     uint64
	Data      EventData
}

// EventData holds what applies to the event's type. Durations that do not
// apply are unknown, and left out of JSON.
type EventData struct {
	Kind    string
	From    Mode
	To      Mode
	Mode    Mode
	Uptime  unit.Maybe[time.Duration] // length of the run up to Time
	Window  unit.Maybe[time.Duration]
	Assumed bool       // the run was already going on at first sight
	Ended   *Stay      // the work that ended with this change of mode
	By      string     // the person, for marks
	Goal    string     // of a watch, in its text form
	Alert   *AlertView // of the life of an alert
	Why     []string   // the evidence, in plain words with numbers and units
}

// ID is a hash of station, type, time and count: the same conclusion always
// has the same ID, so that a repeat is known as one.
func (e Event) ID() string {
	h := sha256.Sum256(fmt.Appendf(nil, "%s|%s|%d|%d", e.Station, e.Type, e.Time.UnixMilli(), e.Count))
	return hex.EncodeToString(h[:16])
}

// Envelope is an event in the CloudEvents 1.0 JSON form, in the order people read
// it.
type Envelope struct {
	SpecVersion string    `json:"specversion"`
	ID          string    `json:"id"`
	Source      string    `json:"source"`
	Type        EventType `json:"type"`
	Time        string    `json:"time"`
	ContentType string    `json:"datacontenttype"`
	Data        cloudData `json:"data"`
}

type cloudData struct {
	ConcludedAt string     `json:"concluded_at"`
	Kind        string     `json:"kind,omitempty"`
	From        Mode       `json:"from,omitempty"`
	To          Mode       `json:"to,omitempty"`
	Mode        Mode       `json:"mode,omitempty"`
	UptimeS     *float64   `json:"uptime_s,omitempty"`
	WindowS     *float64   `json:"window_s,omitempty"`
	Assumed     bool       `json:"assumed,omitempty"`
	Ended       *stayData  `json:"ended,omitempty"`
	By          string     `json:"by,omitempty"`
	Goal        string     `json:"goal,omitempty"`
	Alert       *AlertView `json:"alert,omitempty"`
	Why         []string   `json:"why,omitempty"`
}

// TimeFormat is RFC 3339 in UTC with milliseconds, used in every file format.
const TimeFormat = "2006-01-02T15:04:05.000Z07:00"

// CloudEvent encodes the event as CloudEvents 1.0 JSON (structured mode, one
// line, no trailing newline). benchName becomes part of source.
func (e Event) CloudEvent(benchName string) ([]byte, error) {
	return json.Marshal(e.Envelope(benchName))
}

// Envelope is the event as CloudEvent encodes it.
func (e Event) Envelope(benchName string) Envelope {
	return Envelope{
		SpecVersion: "1.0",
		ID:          e.ID(),
		Source:      source(benchName, e.Station),
		Type:        e.Type,
		Time:        e.Time.UTC().Format(TimeFormat),
		ContentType: "application/json",
		Data: cloudData{
			ConcludedAt: e.Concluded.UTC().Format(TimeFormat),
			Kind:        e.Data.Kind,
			From:        e.Data.From,
			To:          e.Data.To,
			Mode:        e.Data.Mode,
			UptimeS:     seconds(e.Data.Uptime),
			WindowS:     seconds(e.Data.Window),
			Assumed:     e.Data.Assumed,
			Ended:       stayOf(e.Data.Ended),
			By:          e.Data.By,
			Goal:        e.Data.Goal,
			Alert:       e.Data.Alert,
			Why:         e.Data.Why,
		},
	}
}

// source is where an event comes from: a station, or the bench as a whole.
func source(benchName, station string) string {
	s := "/bench/" + url.PathEscape(benchName)
	if station != "" {
		s += "/station/" + url.PathEscape(station)
	}
	return s
}

func seconds(d unit.Maybe[time.Duration]) *float64 {
	v, ok := d.Get()
	if !ok {
		return nil
	}
	s := rounded(v)
	return &s
}

func rounded(d time.Duration) float64 { return math.Round(d.Seconds()*1000) / 1000 }
