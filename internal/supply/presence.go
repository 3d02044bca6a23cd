package supply

import (
	"context"
	"os"
	"strings"
	"time"
)

// lookEvery is how often a device that is unplugged is looked for.
const lookEvery = 200 * time.Millisecond

// presence tells whether the device of an address is plugged in; nil where
// that leaves no trace, as with a network.
func presence(address string) func() bool {
	scheme, where, _ := strings.Cut(address, "://")
	device, _, _ := strings.Cut(where, "?")
	number, bySerial := strings.CutPrefix(where, "serial/")
	switch {
	case scheme == "usbtmc" && bySerial:
		return func() bool {
			_, err := usbtmcBySerial(usbtmcClass, number)
			return err == nil
		}
	case (scheme == "serial" || scheme == "usbtmc") && strings.HasPrefix(device, "/dev/"):
		return func() bool {
			_, err := os.Stat(device)
			return err == nil
		}
	}
	return nil
}

// pause waits before the next attempt to connect. A device that was unplugged
// and comes back ends it, and what follows is tried as soon as at first: its
// rights may be set a moment later.
func (p *Poller) pause(ctx context.Context, s *session) {
	left := s.retry.NextBackOff()
	if p.there == nil || p.there() {
		sleep(ctx, left)
		return
	}
	for ; left > 0; left -= lookEvery {
		if !sleep(ctx, min(left, lookEvery)) {
			return
		}
		if p.there() {
			s.retry.Reset()
			return
		}
	}
}
