package supply

import (
	"context"
	"sync"
	"time"
)

// Links are the ways to instruments that several pollers share: those with the
// same address use one connection and take turns on it, one question in flight.
// So a supply with several outputs serves several stations, and a slow or
// silent one delays only those that ask it. A Links is safe for concurrent use.
type Links struct {
	mu sync.Mutex
	by map[string]*link
}

// NewLinks returns Links that nobody uses yet.
func NewLinks() *Links { return &Links{by: map[string]*link{}} }

// get returns the link to an address, the same for all that ask for it.
func (l *Links) get(address string, dial Dial) *link {
	if l == nil {
		return newLink(dial)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	k, ok := l.by[address]
	if !ok {
		k = newLink(dial)
		l.by[address] = k
	}
	return k
}

// link is one connection with a turn. Who holds the turn may use d.
type link struct {
	dial Dial
	turn chan struct{} // holds one token while somebody has the turn; who waits is served in order
	d    *dialogue     // nil: not open

	mu    sync.Mutex
	users int // pollers that run
}

func newLink(dial Dial) *link { return &link{dial: dial, turn: make(chan struct{}, 1)} }

func (l *link) join() {
	l.mu.Lock()
	l.users++
	l.mu.Unlock()
}

// leave closes the connection after its last user.
func (l *link) leave() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.users--; l.users > 0 {
		return
	}
	l.turn <- struct{}{} // free: whoever had it has left
	l.hangUp()
	<-l.turn
}

// hangUp closes the connection. The caller holds the turn.
func (l *link) hangUp() {
	if l.d != nil {
		_ = l.d.conn.Close()
		l.d = nil
	}
}

// reopenError is a failure to open the connection between two questions.
type reopenError struct{ error }

func (e reopenError) Unwrap() error { return e.error }

// line is one poller's use of a link. It is not safe for concurrent use.
type line struct {
	link    *link
	pick    string // written before each question; empty: nothing
	timeout time.Duration
	opened  func()    // told of each connection that this line opened
	last    *dialogue // the connection used last
}

// query asks q when it is this line's turn. Any error but a cancelled wait
// closes the connection: what comes next on it may belong to this question.
func (l *line) query(ctx context.Context, q string) (answer string, err error) {
	err = l.use(ctx, func(d *dialogue) error {
		answer, err = d.ask(l.pick, q)
		return err
	})
	return answer, err
}

// open opens the connection unless it is open.
func (l *line) open(ctx context.Context) error {
	return l.use(ctx, func(*dialogue) error { return nil })
}

// use does something on the open connection in this line's turn. The end of ctx
// ends it by closing the connection, which the other users open again.
func (l *line) use(ctx context.Context, do func(*dialogue) error) error {
	select {
	case l.link.turn <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-l.link.turn }()
	if err := ctx.Err(); err != nil {
		return err
	}
	if l.link.d == nil {
		d, err := dialled(ctx, l.link.dial, l.timeout)
		if err != nil {
			return reopenError{err}
		}
		l.link.d = d
		l.opened()
	}
	l.last = l.link.d
	l.last.timeout = l.timeout
	stop := closeAfter(ctx, l.last.conn)
	err := do(l.last)
	if ended := !stop(); ended || err != nil {
		l.link.hangUp()
	}
	return err
}

// giveUp closes the connection that was used last, because questions and
// answers on it came apart; not one that was opened since by somebody else.
func (l *line) giveUp() {
	l.link.turn <- struct{}{} // whoever has it is bounded by its own time-out
	defer func() { <-l.link.turn }()
	if l.last != nil && l.last == l.link.d {
		l.link.hangUp()
	}
}

// closeAfter closes conn when ctx ends, which ends a read that waits for an
// answer. stop reports whether that did not happen, and will not.
func closeAfter(ctx context.Context, conn Conn) (stop func() bool) {
	return context.AfterFunc(ctx, func() { _ = conn.Close() })
}
