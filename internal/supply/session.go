package supply

import (
	"context"
	"fmt"
	"time"

	"github.com/cenkalti/backoff/v5"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

const (
	// queueQuery asks for, and takes away, the oldest entry of the error queue.
	queueQuery = "SYST:ERR?"
	// maxDrain bounds one emptying of the error queue.
	maxDrain = 20
	// maxGarbled is how many garbled answers in a row are a loss of sight.
	maxGarbled = 3
	// warmthEvery is how often a temperature is emitted: a board warms slowly. It
	// is a little less than stateEvery, which must not be halved by it.
	warmthEvery = 900 * time.Millisecond
)

// session is what one Run knows of its instrument, over all its connections.
type session struct {
	opts    Options
	counts  *counters
	news    news
	line    *line
	pattern *Pattern // nil: the instrument is asked
	retry   *backoff.ExponentialBackOff

	queue   optional // SYST:ERR?
	state   []*stateQuery
	riding  riding    // state that waits for the next reading
	garbled int       // garbled answers in a row
	opened  bool      // a connection was opened before
	warmed  time.Time // when a temperature was emitted last

	compoundFailed bool // the compound query got no reading the last time
}

func newSession(p *Poller, emit func(bench.Observation) bool) *session {
	s := &session{
		opts:    p.opts,
		pattern: p.pattern,
		counts:  p.counts,
		news: news{
			station: p.opts.Station,
			channel: p.opts.Channel,
			now:     p.opts.Now,
			emit:    emit,
			log:     p.logger(),
			known:   map[string]struct{}{},
		},
		retry: newRetry(),
		queue: optional{query: queueQuery},
		state: stateQueries(p.opts),
	}
	s.line = &line{link: p.link, pick: p.opts.Select, timeout: p.opts.Timeout, opened: s.connected}
	return s
}

// connected counts a connection.
func (s *session) connected() {
	if s.opened {
		s.counts.reconnects.Add(1)
	}
	s.opened = true
}

// lost takes a failure that ended a connection, or kept one from being opened.
func (s *session) lost(f *failure) {
	s.counts.failures[f.kind].Add(1)
	s.garbled = 0
	s.riding = riding{}
	s.news.loss(f)
}

// converse asks until that fails.
func (s *session) converse(ctx context.Context) *failure {
	if _, f := s.drain(ctx); f != nil {
		return s.doubt(&s.queue, f)
	}
	p := pace{every: s.opts.Every, slot: time.Now()}
	for sleep(ctx, time.Until(p.slot)) {
		if f := s.serve(ctx, p.slot.Add(p.every)); f != nil {
			return f
		}
		s.counts.skipped.Add(p.advance(time.Now()))
	}
	return nil
}

// serve takes one reading, then asks for state in what is left of the slot.
func (s *session) serve(ctx context.Context, until time.Time) *failure {
	a, f := s.read(ctx)
	if ctx.Err() != nil {
		return nil // the connection was closed under the question: nobody's failure
	}
	if f != nil {
		return s.failed(ctx, f)
	}
	s.garbled, s.compoundFailed = 0, false
	s.take(a)
	return s.askState(ctx, until)
}

// read asks for volts and amps, by one query or by two.
func (s *session) read(ctx context.Context) (Answer, *failure) {
	if s.opts.Query != "" {
		return s.ask(ctx, s.opts.Query, VoltsAndAmps)
	}
	var volts, amps Answer
	var f *failure
	if s.opts.VoltsQuery != "" {
		if volts, f = s.ask(ctx, s.opts.VoltsQuery, VoltsOnly); f != nil {
			return Answer{}, f
		}
	}
	if s.opts.AmpsQuery != "" {
		if amps, f = s.ask(ctx, s.opts.AmpsQuery, AmpsOnly); f != nil {
			return Answer{}, f
		}
	}
	return Answer{Volts: volts.Volts, VoltsOver: volts.VoltsOver, Amps: amps.Amps, AmpsOver: amps.AmpsOver}, nil
}

func (s *session) ask(ctx context.Context, q string, asked Asked) (Answer, *failure) {
	line, err := s.line.query(ctx, q)
	if err != nil {
		return Answer{}, unanswered(q, s.opts.Timeout, err)
	}
	a, err := ParseAnswer(line, asked)
	if err != nil {
		return Answer{}, garbledAnswer(q, line, err)
	}
	return a, nil
}

// take emits a well-formed answer. It is stamped with its arrival: the
// instrument measured before that, and a stamp must not lie before the fact.
// The first known quantity after a loss is what ends the loss.
func (s *session) take(a Answer) {
	at := s.opts.Now()
	power, warmth := s.riding.Power, s.riding.Celsius
	s.riding = riding{}
	power.Volts, power.Amps = a.Volts, a.Amps
	known := a.Volts.Known() || a.Amps.Known() || a.Celsius.Known()
	s.settle(true)
	if known {
		s.counts.readings.Add(1)
		s.retry.Reset()
		s.news.back(at)
	} else {
		s.counts.failures[NotANumber].Add(1)
	}
	if power != (bench.Power{}) {
		power.Channel = s.opts.Channel
		s.news.emit(bench.Observation{At: at, Station: s.opts.Station, Fact: power})
	}
	if a.Celsius.Known() {
		warmth = a.Celsius
	}
	s.warm(at, warmth)
	s.comment(a, known)
}

// warm emits a temperature, where there is one and the last is old enough.
func (s *session) warm(at time.Time, warmth unit.Maybe[unit.Temperature]) {
	c, ok := warmth.Get()
	if now := time.Now(); ok && now.Sub(s.warmed) >= warmthEvery {
		s.warmed = now
		s.news.emit(bench.Observation{At: at, Station: s.opts.Station, Fact: bench.Temperature{Celsius: c}})
	}
}

// comment tells what is odd about a well-formed answer.
func (s *session) comment(a Answer, known bool) {
	switch {
	case a.VoltsOver && a.AmpsOver:
		s.trouble("volts and amps are over range")
	case a.VoltsOver:
		s.trouble("volts are over range")
	case a.AmpsOver:
		s.trouble("amps are over range")
	case !known:
		s.trouble("the instrument answers not-a-number")
	default:
		s.news.clean()
	}
}

func (s *session) trouble(what string) { s.news.trouble(&failure{what: what}) }

// failed handles a reading that came to nothing. A garbled answer does not end
// the connection as long as the error queue, being emptied, answers as it
// should: then question and answer are still in step.
func (s *session) failed(ctx context.Context, f *failure) *failure {
	s.settle(false)
	s.compoundFailed = s.opts.Query != "" && f.kind != Broken
	if f.kind != Garbled {
		return f
	}
	if s.garbled++; s.garbled >= maxGarbled {
		return f
	}
	if inStep, _ := s.drain(ctx); !inStep {
		return f // the cause; how the drain failed only follows from it
	}
	s.counts.failures[Garbled].Add(1)
	s.news.trouble(f)
	return nil
}

// drain empties the error queue and tells each entry. inStep means that the
// instrument answered every time as it should.
func (s *session) drain(ctx context.Context) (inStep bool, f *failure) {
	if !s.queue.wanted(time.Now()) {
		return false, nil
	}
	for range maxDrain {
		line, err := s.line.query(ctx, queueQuery)
		if err != nil {
			return false, unanswered(queueQuery, s.opts.Timeout, err)
		}
		e, err := ParseErrorEntry(line)
		if err != nil {
			return false, garbledAnswer(queueQuery, line, err)
		}
		s.queue.succeeded()
		if e.Code == 0 {
			return true, nil
		}
		s.entry(e)
	}
	s.trouble(fmt.Sprintf("the error queue is not empty after %d entries", maxDrain))
	return true, nil
}

// entry tells one entry of the error queue, and what to do about it if it
// explains why the compound query fails.
func (s *session) entry(e ErrorEntry) {
	s.counts.troubles.Add(1)
	s.news.entry(e.String())
	if s.compoundFailed && e.CommandError() {
		s.trouble(fmt.Sprintf("the instrument refused %q (%v): set volts_query and amps_query", s.opts.Query, e))
	}
}

// doubt notes that an optional query failed. Silence or garbage to it alone is
// no loss of sight, but the connection has to be opened anew.
func (s *session) doubt(o *optional, f *failure) *failure {
	if f.kind == Silent || f.kind == Garbled {
		o.failed()
		f.quiet = true
	}
	return f
}

// settle tells the optional queries whether the instrument answers at all.
func (s *session) settle(readingWorked bool) {
	if s.queue.settle(readingWorked) {
		s.trouble(fmt.Sprintf("%q is not answered as it should be: errors of this instrument cannot be told", queueQuery))
	}
	for _, q := range s.state {
		if q.settle(readingWorked) {
			s.trouble(fmt.Sprintf("%q is not answered as it should be: it is no longer asked", q.query))
		}
	}
}

// askState asks the state queries that are due, one at least and as many as
// the slot has time for, so that they do not cost a slow instrument readings.
func (s *session) askState(ctx context.Context, until time.Time) *failure {
	for _, q := range s.state {
		now := time.Now()
		if !q.wanted(now) {
			continue
		}
		q.due = now.Add(stateEvery)
		line, err := s.line.query(ctx, q.query)
		if err != nil {
			return s.doubt(&q.optional, unanswered(q.query, s.opts.Timeout, err))
		}
		if err := q.take(line, &s.riding); err != nil {
			return s.doubt(&q.optional, garbledAnswer(q.query, line, err))
		}
		q.succeeded()
		if !time.Now().Before(until) {
			break
		}
	}
	return nil
}
