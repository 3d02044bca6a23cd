// Package outlettest is the suite that every outlet has to pass: what it says of
// servers that accept, refuse, fail, hang or talk nonsense. HTTP brings its own
// fake server; Other is for outlets that speak something else and bring theirs.
package outlettest

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/alert"
	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// Outlet is what is tested.
type Outlet interface {
	Deliver(ctx context.Context, m *alert.Message) error
	String() string
}

// Message is an invented message with everything in it.
func Message(deed alert.Deed) *alert.Message {
	at := time.Date(2026, 3, 2, 21, 14, 5, 120e6, time.UTC)
	point := bench.AlertPoint{Station: "s1", Kind: bench.AlertDropped}
	v := bench.AlertView{
		Alert: bench.Alert{
			Key: point.KeyAt(at), Kind: point.Kind, Severity: bench.Danger, Station: "s1", Name: "left", Case: "C-0042",
			Title: "left: dropped at 21:14:05 while restoring", Text: "Up 1:12:03 of 2 h. 0.412 A before, 0.002 A now. Check the supply.",
			Why: []string{"current fell within 100 ms", "USB went with it — naïve cable?"}, Do: "Check the supply, then start again.",
			Since: at, Amps: unit.Some(2 * unit.Milliampere), Before: unit.Some(412 * unit.Milliampere), Event: "0f1e2d",
		},
		State: bench.AlertUnacknowledged, Changed: at, Stands: true, Raised: at.Add(700 * time.Millisecond),
	}
	if deed == alert.Returned {
		v.State, v.Stands, v.Returned = bench.AlertReturned, false, at.Add(time.Minute)
	}
	return &alert.Message{
		Key: v.Key + "." + string(deed) + ".phone", Deed: deed, Alert: v, Bench: "bench", To: "kim",
		Link: "https://bench.example/alerts/" + v.Key, Made: at.Add(800 * time.Millisecond),
	}
}

// within is how long an outlet is given where it should not need it.
const within = 20 * time.Second

// deliver delivers within the time, and holds what is said against the secrets.
func deliver(t *testing.T, o Outlet, secret string, wait time.Duration) error {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), wait)
	defer cancel()
	err := o.Deliver(ctx, Message(alert.Raised))
	for _, text := range []string{o.String(), say(err)} {
		if secret != "" && strings.Contains(text, secret) {
			t.Errorf("a secret shows: %s", text)
		}
		if len(text) > 1000 {
			t.Errorf("%d bytes are said", len(text))
		}
	}
	return err
}

func say(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

// want holds an error against what was expected of it.
func want(t *testing.T, err error, k kind) {
	t.Helper()
	switch {
	case err == nil && k != delivered:
		t.Errorf("it is taken for delivered, want %s", k)
	case err != nil && k == delivered:
		t.Errorf("%v, want delivered", err)
	case err != nil && alert.IsPermanent(err) != (k == permanent):
		t.Errorf("%v: permanent is %v, want %s", err, alert.IsPermanent(err), k)
	}
}

type kind string

const (
	delivered kind = "delivered"
	permanent kind = "a permanent error"
	transient kind = "an error that another try may mend"
)

// cancelled holds that an outlet gives up at once when it is told to.
func cancelled(t *testing.T, o Outlet) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	err := o.Deliver(ctx, Message(alert.Raised))
	want(t, err, transient)
	if err != nil && !errors.Is(err, context.Canceled) {
		t.Logf("the error does not say that it was cancelled: %v", err)
	}
}
