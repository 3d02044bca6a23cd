package usb

// Told is what stations were told of their ports by a watcher that has ended.
// A watcher that takes over from it says only what is different by then: a
// device that was enumerated again in between has another number.
type Told map[string]told // by port path

type told struct {
	standing standing
	lost     bool // that the port cannot be seen
}

// TakeOver says what stations know already. It is to be called before Run.
func (w *Watcher) TakeOver(from Told) { w.known = from }

// Told returns what the stations know. It is to be called after Run returned.
func (w *Watcher) Told() Told { return w.told }

func (l *loop) allTold() Told {
	out := Told{}
	for _, p := range l.ports {
		if !p.restate || p.lost {
			out[p.path] = told{p.told, p.lost}
		}
	}
	return out
}

// takeOver begins where another watcher left off.
func (p *port) takeOver(from Told) {
	if t, ok := from[p.path]; ok {
		p.told, p.lost, p.restate = t.standing, t.lost, t.lost
	}
}
