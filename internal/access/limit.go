package access

import (
	"net/http"
	"strings"
	"sync"
	"time"
)

// Failed logins may be repeated at once a few times; then each makes the next
// wait twice as long. What is remembered is bounded.
const (
	freeFailures = 4  // of one name from one network, of one network, of one device
	freeOfName   = 40 // of one name from everywhere
	longestWait  = 5 * time.Minute
	forgetAfter  = 30 * time.Minute
	mostKeys     = 4096
)

// gate is one thing by which tries are counted.
type gate struct {
	key  string
	free int // failures before the first wait
	own  bool
}

// gates are what a try has to pass.
//
// Were tries counted by name alone, a stranger could keep a technician out at
// midnight by guessing at that name. So they are counted by name and network
// together, by network, and by name from everywhere only after ten times as
// many: that bounds guesses out of many networks at once. A browser that this
// person logged in with before is counted by itself, so that it gets in whatever
// strangers do, even from behind the same address; the proof of that says nothing
// of a password, and gives whoever steals it just one more row of slow guesses.
func (g *Guard) gates(r *http.Request, name string) []gate {
	name = strings.ToLower(short(name))
	if nonce, ok := g.devices.known(r, name); ok {
		return []gate{{"device " + nonce, freeFailures, true}}
	}
	from := network(origin(r))
	return []gate{
		{"pair " + from + " " + name, freeFailures, true},
		{"from " + from, freeFailures, false},
		{"name " + name, freeOfName, false},
	}
}

type failures struct {
	n    int
	last time.Time
}

// limiter slows down who fails. The zero value is ready.
type limiter struct {
	mu   sync.Mutex
	seen map[string]failures
}

// enter is how long a try has to wait; where it need not, it is counted at once,
// before it is judged, so that many at the same time cannot all pass.
func (l *limiter) enter(gates []gate, now time.Time) (wait time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, g := range gates {
		f := l.seen[g.key]
		wait = max(wait, f.last.Add(pause(f.n, g.free)).Sub(now))
	}
	if wait > 0 {
		return wait
	}
	for _, g := range gates {
		l.countLocked(g.key, now)
	}
	return 0
}

// pause after n failures.
func pause(n, free int) time.Duration {
	if n < free {
		return 0
	}
	return min(longestWait, time.Second<<min(n-free, 20))
}

func (l *limiter) countLocked(key string, now time.Time) {
	if l.seen == nil {
		l.seen = map[string]failures{}
	}
	f, known := l.seen[key]
	if !known {
		l.roomLocked(now)
	}
	if now.Sub(f.last) > forgetAfter {
		f.n = 0
	}
	l.seen[key] = failures{f.n + 1, now}
}

// roomLocked lets go of what is old, else of the oldest.
func (l *limiter) roomLocked(now time.Time) {
	if len(l.seen) < mostKeys {
		return
	}
	oldest := ""
	for key, f := range l.seen {
		if now.Sub(f.last) > forgetAfter {
			delete(l.seen, key)
		} else if oldest == "" || f.last.Before(l.seen[oldest].last) {
			oldest = key
		}
	}
	if len(l.seen) >= mostKeys {
		delete(l.seen, oldest)
	}
}

// passed forgets the failures of who got in. Of what others share only this try
// is taken back: a login of one's own must not wipe out guesses at other names.
func (l *limiter) passed(gates []gate) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, g := range gates {
		f, known := l.seen[g.key]
		switch {
		case !known:
		case g.own || f.n <= 1:
			delete(l.seen, g.key)
		default:
			l.seen[g.key] = failures{f.n - 1, f.last}
		}
	}
}
