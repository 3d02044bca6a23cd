package usb

import (
	"cmp"
	"errors"
	"time"

	"benchvigil/internal/bench"
)

// patience is for how long a device may come or go, or be unreadable, before
// that is believed.
const patience = 500 * time.Millisecond

// port is one watched port: what the station was told, and what is still owed
// to it. Only the loop touches it.
type port struct {
	path, station string

	told    standing // what the station was told last
	restate bool     // say what stands there even if it was told
	lost    bool     // the station was told that it cannot be seen

	seen    standing  // the last look
	sure    bool      // it told
	unsure  time.Time // since when looks do not tell, by the system's clock
	trouble string    // why the port cannot be seen, or empty
	hint    hint      // when what changed since the last look that told
	again   bool      // look again shortly

	details details
}

// judge takes a look and reports whether it told anything: what stands there,
// or trouble. Patience ends in an absence or in trouble.
func (p *port) judge(seen standing, err error, now time.Time) bool {
	p.seen = seen
	if err == nil {
		p.unsure, p.trouble = time.Time{}, ""
		return true
	}
	if p.unsure = cmp.Or(p.unsure, now); now.Sub(p.unsure) < patience {
		return false
	}
	if p.trouble = ""; !errors.Is(err, errVanishing) {
		p.trouble = err.Error()
	}
	return true
}

// change is one thing to tell a station, and what it then knows.
type change struct {
	at    time.Time
	usb   bench.USB
	knows standing
}

// changes lists what has to be told so that a station that knows told comes to
// know seen. A new device number is a new enumeration: removed, then added.
func changes(told, seen standing, restate bool, h hint, now time.Time) []change {
	if told == seen {
		if !restate {
			return nil
		}
		if !seen.present {
			return []change{{now, bench.USB{Change: bench.USBRemove}, seen}}
		}
		return []change{{now, bench.USB{Change: bench.USBAdd, ID: seen.id, Number: seen.devnum}, seen}}
	}
	var list []change
	left := h.left(now)
	if told.present {
		list = append(list, change{left, bench.USB{Change: bench.USBRemove}, standing{}})
	}
	if seen.present {
		came := h.came(now)
		if told.present && came.Before(left) {
			came = left
		}
		list = append(list, change{came, bench.USB{Change: bench.USBAdd, ID: seen.id, Number: seen.devnum}, seen})
	}
	return list
}
