// Package supplytest is the published fake of an instrument: a Playback that
// checks what is asked, byte for byte, and answers as its script says.
package supplytest

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net"
	"sync"
	"testing"
	"time"

	"benchvigil/internal/supply"
)

// Exchange is one query that has to come, and what is done about it.
type Exchange struct {
	Want   string        // the query, without its terminator
	Answer string        // sent as it is, terminator included; "" is silence
	Rest   string        // sent Pause after Answer
	After  time.Duration // from query to answer
	Pause  time.Duration // from Answer to Rest
	Hangup bool          // the connection is closed then
}

// Reply answers a query by one line ended by LF.
func Reply(want, line string) Exchange { return Exchange{Want: want, Answer: line + "\n"} }

// Silence does not answer.
func Silence(want string) Exchange { return Exchange{Want: want} }

// Call is the script of one connection. Refuse, when set, is the error of
// opening it; nothing is exchanged then. Without exchanges the connection is
// opened and closed at once.
type Call struct {
	Refuse    error
	Exchanges []Exchange
}

// Talk is a Call of these exchanges.
func Talk(e ...Exchange) Call { return Call{Exchanges: e} }

// Refused is a Call that cannot be opened.
func Refused() Call { return Call{Refuse: errors.New("connection refused")} }

// Repeat is n times the same exchanges.
func Repeat(n int, e ...Exchange) []Exchange {
	var out []Exchange
	for range n {
		out = append(out, e...)
	}
	return out
}

// Playback plays Calls one after another, each over a net.Pipe. It fails its
// test for a query or connection that is not in the script, and at the end of
// the test for what is left of the script.
type Playback struct {
	t     testing.TB
	done  chan struct{}
	wg    sync.WaitGroup
	mu    sync.Mutex
	calls []Call // not opened yet
	left  int    // exchanges and refusals not played yet
	over  bool   // more connections were asked for than scripted
	open  []net.Conn
}

// New makes a Playback that is closed, and checked, by t.Cleanup.
func New(t testing.TB, calls ...Call) *Playback {
	t.Helper()
	p := &Playback{t: t, done: make(chan struct{}), calls: calls}
	for _, c := range calls {
		p.left += max(1, len(c.Exchanges))
	}
	t.Cleanup(p.Close)
	return p
}

// Done is closed when the script is used up. The test has to end the poller
// then: whatever it asks after that fails the test.
func (p *Playback) Done() <-chan struct{} { return p.done }

// Dial is a supply.Dial.
func (p *Playback) Dial(ctx context.Context) (supply.Conn, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.calls) == 0 {
		if !p.over {
			p.over = true
			p.t.Error("unexpected connection: the script is used up")
		}
		return nil, errors.New("the script is used up")
	}
	call := p.calls[0]
	p.calls = p.calls[1:]
	if call.Refuse != nil {
		p.playedLocked()
		return nil, call.Refuse
	}
	near, far := net.Pipe()
	p.open = append(p.open, far)
	if len(call.Exchanges) == 0 {
		p.playedLocked()
		_ = far.Close()
		return near, nil
	}
	p.wg.Go(func() { p.play(far, call.Exchanges) })
	return near, nil
}

// Close ends every connection and fails the test if anything is left to play.
func (p *Playback) Close() {
	p.mu.Lock()
	for _, c := range p.open {
		_ = c.Close()
	}
	p.open = nil
	p.mu.Unlock()
	p.wg.Wait()
	if p.left > 0 {
		p.t.Errorf("%d steps of the script were not played", p.left)
		p.left = 0
	}
}

// play serves one connection until the other side closes it.
func (p *Playback) play(c net.Conn, script []Exchange) {
	defer func() { _ = c.Close() }()
	r := bufio.NewReader(c)
	for i := 0; ; i++ {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		if i >= len(script) {
			p.t.Errorf("unexpected query %q: the script of this connection is used up", line)
			return
		}
		x := script[i]
		if line != x.Want+"\n" {
			p.t.Errorf("query %d is %q, want %q", i+1, line, x.Want+"\n")
		}
		answer(c, x)
		p.played()
		if x.Hangup {
			return
		}
	}
}

// answer does what the exchange says. That nobody listens any more is none of
// the instrument's business.
func answer(w io.Writer, x Exchange) {
	time.Sleep(x.After)
	send(w, x.Answer)
	if x.Rest != "" {
		time.Sleep(x.Pause)
		send(w, x.Rest)
	}
}

// send writes s. Not even an empty write may happen for silence: a pipe waits
// for somebody to read it.
func send(w io.Writer, s string) {
	if s != "" {
		_, _ = io.WriteString(w, s)
	}
}

func (p *Playback) played() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.playedLocked()
}

func (p *Playback) playedLocked() {
	if p.left--; p.left == 0 {
		close(p.done)
	}
}
