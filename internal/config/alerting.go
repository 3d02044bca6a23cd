package config

import (
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Secret is a text that is never printed: only Reveal gives it.
type Secret string

// Reveal is the text itself.
func (s Secret) Reveal() string { return string(s) }

// String says only whether there is one.
func (s Secret) String() string {
	if s == "" {
		return secretNot
	}
	return secretSet
}

// GoString keeps it out of %#v as well.
func (s Secret) GoString() string { return s.String() }

// MarshalText keeps it out of JSON and YAML as well.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// What stands in place of a secret where it is shown.
const (
	secretSet = "(set)"
	secretNot = "(not set)"
)

// OutletKind names a way in which alerts reach people.
type OutletKind string

// The kinds of outlets.
const (
	WebPush      OutletKind = "web-push"     // browsers that subscribed
	Webhook      OutletKind = "webhook"      // a program of one's own, signed
	Email        OutletKind = "email"        // SMTP
	Alertmanager OutletKind = "alertmanager" // Prometheus's
	Publish      OutletKind = "publish"      // any HTTP service, by a template
	Service      OutletKind = "service"      // chat and paging services, by their address
)

// OutletKinds lists them.
func OutletKinds() []OutletKind {
	return []OutletKind{WebPush, Webhook, Email, Alertmanager, Publish, Service}
}

// Outlet is one way to people. What its kind does not have is empty.
type Outlet struct {
	Name string
	Kind OutletKind

	URL     Secret            // of all but web-push and email; it may hold a token
	Secret  Secret            // webhook: the key that signs; empty: nothing is signed
	Headers map[string]Secret // webhook, alertmanager, publish: sent along
	Method  string            // publish
	Body    string            // publish: a template; empty: the outlet's own

	Server   string // email: host:port
	User     string // email; empty: no login
	Password Secret
	From     string
	To       []string
	PlainTLS bool // email: true where tls is none, and nothing is encrypted

	Timeout   time.Duration // for one delivery
	PerMinute int           // at most so many deliveries
}

// Person is somebody who is told of alerts.
type Person struct {
	Name    string
	Outlets []string // names, in the order of the file; at least one
	Quiet   []string // times of the day in which only dangers are told, such as "mon-fri 22:00-07:00"
}

// Heartbeat is what an outside watcher is told as long as all is well.
type Heartbeat struct {
	URL   Secret // empty: nobody is told
	Every time.Duration
}

// Alerts says what is told to whom.
type Alerts struct {
	Repeat   time.Duration // of a danger that nobody acknowledges; 0: never
	Escalate time.Duration // before those of Then are told; 0: never
	Tell     []AlertRule   // empty: everybody is told of everything
	Hold     map[bench.AlertKind]time.Duration
	Draw     []Draw
}

// OfBench stands among stations for what is of none.
const OfBench = "bench"

// AlertRule says who is told of what. Empty lists mean all.
type AlertRule struct {
	Stations   []string // IDs; OfBench for what is of no station
	Severities []bench.Severity
	Kinds      []bench.AlertKind
	Tell       []string // people or outlets; at least one
	Then       []string // people or outlets that are told as well when nobody acknowledges a danger
}

// Draw is a rule of one's own about the current. One of Above, Below, Outside
// and ChangedBy is known.
type Draw struct {
	Name      string
	Stations  []string // both lists empty: all stations
	Profiles  []string
	Modes     []bench.Mode // empty: all
	Above     unit.Maybe[unit.Current]
	Below     unit.Maybe[unit.Current]
	Outside   unit.Maybe[Band]
	ChangedBy unit.Maybe[unit.Current]
	Within    time.Duration // of ChangedBy
	For       time.Duration // how long it must be so
	Severity  bench.Severity
}

// Band is a range of currents.
type Band struct{ Low, High unit.Current }
