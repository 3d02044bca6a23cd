package usb

import "benchvigil/internal/logkey"

// silence finds out that uevents do not arrive although nothing refused them,
// as in containers of a user's own: two changes in a row come to light that no
// message announced. One alone may just have been seen before its message.
type silence struct {
	missed  bool   // a change came unannounced
	devices uint64 // messages about watched devices at that time
	proven  bool
}

// unannounced notes a change without a message.
func (l *loop) unannounced() {
	deaf, devices := l.w.book.state()
	s := &l.silence
	if deaf || s.proven {
		return
	}
	if s.missed && s.devices == devices {
		s.proven = true
		l.w.log.Warn("uevents do not arrive, polling sysfs too", logkey.Source(l.w.String()))
	}
	s.missed, s.devices = true, devices
}

// polling reports whether sysfs has to be looked at all the time.
func (l *loop) polling() bool {
	deaf, devices := l.w.book.state()
	if l.silence.proven && devices != l.silence.devices {
		l.silence = silence{}
	}
	return deaf || l.silence.proven
}
