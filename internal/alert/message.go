// Package alert holds what everything that tells people shares: the message
// that an outlet delivers, and how an outlet says that it cannot. It decides
// nothing and sends nothing. The words of alerts themselves are in bench.
package alert

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"benchvigil/internal/bench"
)

// Message is one alert on its way to one receiver by one outlet.
type Message struct {
	Key    string          `json:"key"` // of this message: the same in all tries, so that repeats are known
	Deed   Deed            `json:"deed"`
	Alert  bench.AlertView `json:"alert"`
	Bench  string          `json:"bench"`
	To     string          `json:"to,omitempty"`   // the person; empty: whoever the outlet reaches
	Link   string          `json:"link,omitempty"` // page of the alert, absolute; empty: nobody knows the address
	Made   time.Time       `json:"made"`
	Nth    int             `json:"nth,omitempty"`    // which repeat
	Parted bool            `json:"parted,omitempty"` // it goes out from memory: the ledger cannot be written

	// Missed is what this message tells besides its own alert, or of its own
	// before now: the outlet was down.
	Missed []Missed `json:"missed,omitempty"`
}

// Deed says why a message is sent.
type Deed string

// The deeds.
const (
	Raised    Deed = "raised"
	Changed   Deed = "changed"   // more is known of what was told; it need not ring again
	Repeated  Deed = "repeated"  // nobody has acknowledged it
	Escalated Deed = "escalated" // nobody else has
	Returned  Deed = "returned"  // it is over
	Taken     Deed = "taken"     // somebody acknowledged, shelved or switched it off: no notification need stand
	Test      Deed = "test"
)

// Quiet reports a message that need not ring. What tells of an alert for the
// first time rings, even if it is over meanwhile.
func (m *Message) Quiet() bool {
	return m.Deed == Taken || (m.Deed == Changed || m.Deed == Returned) && len(m.Missed) == 0
}

// Title and Text are the two lines of a lock screen.
func (m *Message) Title() string {
	switch m.Deed {
	case Returned:
		return "Over: " + m.Alert.Title
	case Repeated, Escalated:
		return "Still: " + m.Alert.Title
	case Taken:
		return "Taken: " + m.Alert.Title
	}
	return m.Alert.Title
}

// Text is the second line.
func (m *Message) Text() string {
	return strings.TrimSpace(m.text() + " " + m.missedText())
}

func (m *Message) text() string {
	v := &m.Alert
	switch {
	case m.Deed == Returned && !v.Returned.IsZero() && len(m.Missed) == 0:
		return "It stood from " + m.clock(v.Since) + " to " + m.clock(v.Returned) + "."
	case m.Deed != Taken:
		return v.Text
	case v.State == bench.AlertShelved:
		return "Put off until " + m.clock(v.Until) + m.by()
	case v.State == bench.AlertOutOfService:
		return "Out of service" + m.by()
	case v.By != "":
		return v.By + " sees to it."
	}
	return v.Text
}

func (m *Message) by() string {
	if m.Alert.By == "" {
		return "."
	}
	return " by " + m.Alert.By + "."
}

// Encode writes a message as the outbox keeps it.
func (m *Message) Encode() (string, error) {
	b, err := json.Marshal(m)
	return string(b), err
}

// Decode reads it back.
func Decode(body string) (m Message, err error) {
	if err := json.Unmarshal([]byte(body), &m); err != nil {
		return m, fmt.Errorf("read message: %w", err)
	}
	return m, nil
}

// Permanent marks an error that no later try can mend: the receiver is gone, or
// refuses what it was given.
func Permanent(err error) error { return &permanent{err} }

// IsPermanent reports such an error.
func IsPermanent(err error) bool {
	_, ok := errors.AsType[*permanent](err)
	return ok
}

type permanent struct{ error }

func (p *permanent) Unwrap() error { return p.error }

// Later says that the receiver asked to be left alone for a while.
func Later(err error, wait time.Duration) error { return &later{err, wait} }

// Wait is for how long the receiver asked to be left alone, 0 where it did not.
func Wait(err error) time.Duration {
	if l, ok := errors.AsType[*later](err); ok {
		return l.wait
	}
	return 0
}

type later struct {
	error
	wait time.Duration
}

func (l *later) Unwrap() error { return l.error }
