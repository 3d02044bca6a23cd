package access

import (
	"sync"
	"time"
)

// Failed logins may be repeated at once a few times; then each makes the next
// wait twice as long. What is remembered is bounded.
const (
	freeFailures = 4
	longestWait  = 5 * time.Minute
	forgetAfter  = 30 * time.Minute
	mostKeys     = 4096
)

type failures struct {
	n    int
	last time.Time
}

// limiter slows down who fails, by address and by name. The zero value is ready.
type limiter struct {
	mu   sync.Mutex
	seen map[string]failures
}

// wait is how long the key has to wait before it may try.
func (l *limiter) wait(key string, now time.Time) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	f := l.seen[key]
	return max(0, f.last.Add(pause(f.n)).Sub(now))
}

// pause after n failures.
func pause(n int) time.Duration {
	if n < freeFailures {
		return 0
	}
	return min(longestWait, time.Second<<min(n-freeFailures, 20))
}

// tried counts a try before it is judged, so that many at once cannot all pass.
func (l *limiter) tried(key string, now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.seen == nil {
		l.seen = map[string]failures{}
	}
	f, known := l.seen[key]
	if !known {
		l.room(now)
	}
	if now.Sub(f.last) > forgetAfter {
		f.n = 0
	}
	l.seen[key] = failures{f.n + 1, now}
}

// room lets go of what is old, else of the oldest.
func (l *limiter) room(now time.Time) {
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

func (l *limiter) passed(key string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.seen, key)
}
