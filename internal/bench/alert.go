package bench

import (
	"errors"
	"hash/fnv"
	"math"
	"strconv"
	"strings"
	"time"

	"benchvigil/internal/unit"
)

// Severity says how much an alert matters.
type Severity string

// The severities, as IEC 60073 colours them: red, yellow, and no colour.
const (
	Danger  Severity = "danger"  // data or a board is at stake now
	Caution Severity = "caution" // something is not as it should be, or soon will not
	Notice  Severity = "notice"  // what was waited for has come
)

// Severities lists them, the weightiest first.
func Severities() []Severity { return []Severity{Danger, Caution, Notice} }

// AlertKind names what an alert is about.
type AlertKind string

// The kinds of alerts. The first group is of one station, the second of the
// bench.
const (
	AlertDropped    AlertKind = "dropped" // the board went down by itself
	AlertStalled    AlertKind = "stalled" // powered, but nothing moves
	AlertHighAmps   AlertKind = "current-high"
	AlertCollapsed  AlertKind = "current-collapsed"
	AlertDrifting   AlertKind = "current-drifting"
	AlertDraw       AlertKind = "draw" // a rule of the configuration about the current; Rule names it
	AlertStartHung  AlertKind = "start-hung"
	AlertAtRisk     AlertKind = "window-at-risk"
	AlertLate       AlertKind = "goal-late"   // the time of the armed goal is over
	AlertSupplyLost AlertKind = "supply-lost" // no good reading
	AlertWindowMet  AlertKind = "window-met"
	AlertGoalDone   AlertKind = "goal-reached"
	AlertRegular    AlertKind = "drops-regular" // drops come at the same time: a timer

	AlertUSBLost   AlertKind = "usb-lost"   // the USB watch itself
	AlertHubLost   AlertKind = "hub-lost"   // several stations behind one hub at once
	AlertPowerLost AlertKind = "power-lost" // several stations of one supply at once
	AlertLedger    AlertKind = "ledger"     // the store cannot be written
	AlertOutlet    AlertKind = "outlet"     // an outlet does not deliver; Rule names it
	AlertConfig    AlertKind = "configuration"
	AlertUnwatched AlertKind = "unwatched" // nobody watched for a while
	AlertTest      AlertKind = "test"
)

// Alert is something that somebody has to hear of. It holds no name of a
// customer and no unlock code: what it says stands on a lock screen.
type Alert struct {
	Key      string    `json:"key"` // this occurrence; the same whenever it is raised again from the same facts
	Kind     AlertKind `json:"kind"`
	Rule     string    `json:"rule,omitempty"` // which rule of several of a kind
	Severity Severity  `json:"severity"`
	Station  string    `json:"station,omitempty"` // ID; empty: the bench
	Name     string    `json:"name,omitempty"`    // what people call the station
	Others   []string  `json:"others,omitempty"`  // IDs of stations that the same cause took along
	Case     string    `json:"case,omitempty"`    // number of the case

	Title string   `json:"title"`         // first line of a lock screen: who and what, up to 60 characters
	Text  string   `json:"text"`          // second line: what is at stake and what to do, up to 140
	Why   []string `json:"why,omitempty"` // the likely reason with its evidence
	Do    string   `json:"do"`            // what to do next: an alert without an act is none

	Since   time.Time                `json:"since"`             // when it happened
	Amps    unit.Maybe[unit.Current] `json:"amps,omitzero"`     // now
	Before  unit.Maybe[unit.Current] `json:"before,omitzero"`   // just before
	Passing bool                     `json:"passing,omitempty"` // nothing stands that could return to normal: it is news
	Event   string                   `json:"event,omitempty"`   // ID of the event that raised it, or of the newest one of it
	Times   int                      `json:"times,omitempty"`   // how often it happened so far, where that is more than once
	Latest  time.Time                `json:"latest,omitzero"`   // when it did so last
}

// AlertPoint is where an alert can stand, one at a time: what is shelved or
// taken out of service is a point.
type AlertPoint struct {
	Station string
	Kind    AlertKind
	Rule    string
}

// Point is where the alert stands.
func (a *Alert) Point() AlertPoint { return AlertPoint{a.Station, a.Kind, a.Rule} }

// KeyAt names the occurrence at a point that began at a moment.
func (p AlertPoint) KeyAt(at time.Time) string {
	return p.String() + "." + strconv.FormatInt(at.UnixMilli(), 10)
}

// String names the point in a form that a URL can hold.
func (p AlertPoint) String() string {
	parts := []string{"bench", string(p.Kind)}
	if p.Station != "" {
		parts[0] = p.Station
	}
	if p.Rule != "" {
		parts = append(parts, p.Rule)
	}
	return strings.Join(parts, ".")
}

// AlertState is a stage in the life of an alert. States and words follow
// IEC 62682 and ISA-18.2.
type AlertState string

// The states.
const (
	AlertNormal         AlertState = "normal"
	AlertUnacknowledged AlertState = "unacknowledged"       // it stands, and nobody has said that they see to it
	AlertAcknowledged   AlertState = "acknowledged"         // it stands, and somebody sees to it
	AlertReturned       AlertState = "returned to normal"   // it is over, and nobody acknowledged it
	AlertShelved        AlertState = "shelved"              // a person put it off until a time
	AlertSuppressed     AlertState = "suppressed by design" // held back: a person is at the station, or its cause is told
	AlertOutOfService   AlertState = "out of service"       // a person switched it off
)

// AlertView is an alert as it stands: all that has to be known of a point.
type AlertView struct {
	Alert
	State    AlertState `json:"state"`
	Changed  time.Time  `json:"changed"`           // since when it is in that state
	Stands   bool       `json:"stands,omitempty"`  // what it is about has not returned to normal
	Raised   time.Time  `json:"raised"`            // when it was told, the last time anew; zero where it was held back so far
	Returned time.Time  `json:"returned,omitzero"` // zero while it stands
	Acked    time.Time  `json:"acked,omitzero"`    // when somebody acknowledged it
	By       string     `json:"by,omitempty"`      // who acknowledged, shelved or switched it off last
	Until    time.Time  `json:"until,omitzero"`    // of shelving, or of being suppressed
}

// Rings reports an alert that people are to be told of until somebody
// acknowledges it: it stands or is news, and is neither put off nor held back.
func (v *AlertView) Rings() bool {
	return v.State == AlertUnacknowledged || v.State == AlertReturned && v.Passing
}

// AlertAct is what a person does about an alert.
type AlertAct struct {
	Do  AlertDeed
	Key string        // of the alert, or its point: what String gives
	By  string        // who
	For time.Duration // of a shelving
}

// What an act can be refused for. Any other error is a mistake in the act itself.
var (
	ErrUnknownAlert = errors.New("no such alert")
	ErrRefusedAct   = errors.New("refused") // the alert is not in a state for it
)

// AlertDeed names what a person can do about an alert.
type AlertDeed string

// The deeds.
const (
	DeedAcknowledge AlertDeed = "acknowledge"
	DeedShelve      AlertDeed = "shelve"
	DeedUnshelve    AlertDeed = "unshelve"
	DeedTakeOut     AlertDeed = "take-out" // of service
	DeedPutBack     AlertDeed = "put-back"
)

// AlertDeeds lists them.
func AlertDeeds() []AlertDeed {
	return []AlertDeed{DeedAcknowledge, DeedShelve, DeedUnshelve, DeedTakeOut, DeedPutBack}
}

// Limits of shelving: it always ends by itself.
const (
	DefaultShelve = 15 * time.Minute
	MostShelve    = 12 * time.Hour
)

// The types of events that tell the life of an alert. Data.Alert is the whole
// alert as it stands after the step, so that the last event of a point says all
// of it; Data.By is who did it.
const (
	AlertWasRaised       EventType = "benchvigil.alert.raised"
	AlertWasChanged      EventType = "benchvigil.alert.changed" // more is known of the same occurrence
	AlertWasAcknowledged EventType = "benchvigil.alert.acknowledged"
	AlertHasReturned     EventType = "benchvigil.alert.returned"
	AlertWasShelved      EventType = "benchvigil.alert.shelved"
	AlertWasUnshelved    EventType = "benchvigil.alert.unshelved"
	AlertWasSuppressed   EventType = "benchvigil.alert.suppressed"
	AlertWasReleased     EventType = "benchvigil.alert.released" // no longer suppressed
	AlertWasTakenOut     EventType = "benchvigil.alert.taken-out"
	AlertWasPutBack      EventType = "benchvigil.alert.put-back"
)

// IsAlert reports a type that tells the life of an alert. Those events are made
// of others by rules, not by inference: a replay does not give them.
func (t EventType) IsAlert() bool { return strings.HasPrefix(string(t), "benchvigil.alert.") }

// AlertEvent tells a step in the life of an alert at a moment, v being how it
// stands after it. The count is made of what it is about, so that two alerts of
// one moment are two events, and the same one told again is known as one.
func AlertEvent(t EventType, at time.Time, v AlertView, by string, why ...string) Event {
	h := fnv.New64a()
	_, _ = h.Write([]byte(v.Key + "|" + v.Title)) // never fails
	return Event{
		Station: v.Station, Type: t, Time: at, Concluded: at, Count: h.Sum64() & math.MaxInt64,
		Data: EventData{By: by, Alert: &v, Why: why},
	}
}
