package outlettest

import (
	"testing"
	"time"
)

// Behaviour is what a server does with a message.
type Behaviour string

// The behaviours.
const (
	Accepts Behaviour = "accepts"
	Refuses Behaviour = "refuses"  // for good: a receiver that does not exist
	Fails   Behaviour = "fails"    // for now: busy, over quota
	Hangs   Behaviour = "hangs"    // takes the connection and says nothing
	HangsUp Behaviour = "hangs up" // in the middle of it
	Garbage Behaviour = "garbage"  // answers what nobody understands
	Absent  Behaviour = "absent"   // nobody listens
)

// Server starts a fake server of that behaviour and an outlet that delivers to
// it, and counts the messages that the server accepted. It returns a nil Outlet
// for what the fake cannot do.
type Server func(t *testing.T, b Behaviour) (o Outlet, accepted func() int)

// Other is the suite for outlets that do not speak HTTP. Secret, such as the
// password used, must not show in any error.
type Other struct {
	Server Server
	Secret string
}

// Run runs the suite.
func (s Other) Run(t *testing.T) {
	for _, tt := range []struct {
		b    Behaviour
		want kind
		wait time.Duration
	}{
		{Accepts, delivered, within},
		{Refuses, permanent, within},
		{Fails, transient, within},
		{Hangs, transient, 300 * time.Millisecond},
		{HangsUp, transient, within},
		{Garbage, transient, within},
		{Absent, transient, within},
	} {
		t.Run(string(tt.b), func(t *testing.T) {
			o, accepted := s.Server(t, tt.b)
			if o == nil {
				t.Skip("the fake cannot do that")
			}
			want(t, deliver(t, o, s.Secret, tt.wait), tt.want)
			count := 0
			if tt.want == delivered {
				count = 1
			}
			if n := accepted(); n != count {
				t.Errorf("%d messages accepted, want %d", n, count)
			}
		})
	}
	t.Run("cancelled", func(t *testing.T) {
		o, _ := s.Server(t, Accepts)
		cancelled(t, o)
	})
}
