package supply

import (
	"context"
	"fmt"
	"time"

	"github.com/cenkalti/backoff/v5"
	"go.uber.org/zap"

	"benchvigil/internal/bench"
	"benchvigil/internal/logkey"
)

// Poller asks one instrument for one station, or listens to a meter that speaks
// without being asked.
type Poller struct {
	opts    Options
	dial    Dial
	address string
	counts  *counters
	link    *link
	pattern *Pattern    // nil: the instrument is asked
	there   func() bool // the device is plugged in; nil: nobody knows
}

// New checks the options. It refuses what can never work, such as an address
// that cannot be dialled; an instrument that is not there yet is no error.
func New(o Options) (*Poller, error) {
	o = o.withDefaults()
	p := &Poller{opts: o, dial: o.Dial, address: o.Address, counts: newCounters(), there: presence(o.Address)}
	if err := o.validate(); err != nil {
		return nil, fmt.Errorf("%s %q: %w", o.word(), o.Name, err)
	}
	if o.Pattern != "" {
		p.pattern, _ = ParsePattern(o.Pattern) // validate has tried it
	}
	if p.dial == nil {
		var err error
		if p.address, p.dial, err = open(o.Address); err != nil {
			return nil, fmt.Errorf("%s %q: %w", o.word(), o.Name, err)
		}
	}
	p.link = o.Links.get(p.address, p.dial)
	return p, nil
}

// String names the poller for logs: "supply left (127.0.0.1:5025)".
func (p *Poller) String() string {
	return fmt.Sprintf("%s %s (%s)", p.opts.word(), p.opts.Name, p.address)
}

// Counts returns the totals so far. It may be called at any time.
func (p *Poller) Counts() Counts { return p.counts.read() }

// Run reads until ctx ends and returns nil then. emit must not block; when it
// returns false the observation was dropped, and counted, by the receiver. Run
// is to be called once at a time.
func (p *Poller) Run(ctx context.Context, emit func(bench.Observation) bool) error {
	s := newSession(p, emit)
	p.link.join()
	defer p.link.leave()
	for ctx.Err() == nil {
		f := p.connect(ctx, s)
		switch {
		case ctx.Err() != nil:
		case f.quiet:
		default:
			s.lost(f)
			p.pause(ctx, s)
		}
	}
	return nil
}

// connect opens the connection and reads over it until that fails. What it
// returns is meaningless once ctx has ended.
func (p *Poller) connect(ctx context.Context, s *session) *failure {
	if p.pattern != nil {
		return p.hear(ctx, s)
	}
	if err := s.line.open(ctx); err != nil {
		return unreachable(err)
	}
	f := s.converse(ctx)
	if ctx.Err() == nil {
		s.line.giveUp()
	}
	return f
}

// hear takes what a meter says of itself. Nobody else is served by it.
func (p *Poller) hear(ctx context.Context, s *session) *failure {
	conn, err := p.dial(ctx)
	if err != nil {
		return unreachable(err)
	}
	stop := closeAfter(ctx, conn)
	defer func() {
		if stop() {
			_ = conn.Close()
		}
	}()
	s.connected()
	return s.listen(conn)
}

// newRetry waits 100 ms at first and twice as long each time, to 5 s at most,
// each time a quarter more or less, so that pollers do not come all at once.
func newRetry() *backoff.ExponentialBackOff {
	return &backoff.ExponentialBackOff{
		InitialInterval:     100 * time.Millisecond,
		RandomizationFactor: 0.25,
		Multiplier:          2,
		MaxInterval:         4 * time.Second, // before the quarter
	}
}

// sleep waits for d or the end of ctx, and reports whether ctx goes on.
func sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}

func (p *Poller) logger() *zap.Logger {
	return p.opts.Logger.With(logkey.Station(p.opts.Station), logkey.Source(p.String()))
}
