package supply

import (
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"sync/atomic"
	"time"
)

// Failure is a kind of failed reading, or of a connection that failed before one.
type Failure string

// The kinds of failures.
const (
	Unreachable Failure = "unreachable"  // no connection
	Broken      Failure = "broken"       // the connection ended, or questions and answers came apart
	Silent      Failure = "silent"       // no whole answer in time
	Garbled     Failure = "garbled"      // an answer that is no reading
	NotANumber  Failure = "not-a-number" // a well-formed answer without one known quantity
)

// Failures lists every kind.
func Failures() []Failure { return []Failure{Unreachable, Broken, Silent, Garbled, NotANumber} }

// Counts are totals since the Poller was made.
type Counts struct {
	Readings   uint64
	Failures   map[Failure]uint64 // every kind is present
	Reconnects uint64             // connections opened after the first
	Skipped    uint64             // readings not taken because the one before took too long
	Troubles   uint64             // entries read from the instrument's error queue
}

type counters struct {
	readings, reconnects, skipped, troubles atomic.Uint64
	failures                                map[Failure]*atomic.Uint64 // the map itself never changes
}

func newCounters() *counters {
	c := &counters{failures: map[Failure]*atomic.Uint64{}}
	for _, f := range Failures() {
		c.failures[f] = new(atomic.Uint64)
	}
	return c
}

func (c *counters) read() Counts {
	out := Counts{
		Readings:   c.readings.Load(),
		Failures:   map[Failure]uint64{},
		Reconnects: c.reconnects.Load(),
		Skipped:    c.skipped.Load(),
		Troubles:   c.troubles.Load(),
	}
	for f, n := range c.failures {
		out.Failures[f] = n.Load()
	}
	return out
}

// failure is why a reading, or the connection, came to nothing. what is the
// same for the same cause, so that it is told once; sample is what was seen.
type failure struct {
	kind   Failure
	what   string
	sample string
	quiet  bool // only an optional query failed: reopen, but sight is not lost yet
}

func (f *failure) text() string { return f.what + f.sample }

// unreachable says why there is no connection.
func unreachable(err error) *failure {
	return &failure{kind: Unreachable, what: "no connection: " + cause(err)}
}

// unanswered says why there is no answer to query q.
func unanswered(q string, timeout time.Duration, err error) *failure {
	var reopen reopenError
	switch {
	case errors.As(err, &reopen):
		return unreachable(reopen.error)
	case errors.Is(err, os.ErrDeadlineExceeded):
		return &failure{kind: Silent, what: fmt.Sprintf("no answer to %q within %v", q, timeout)}
	case errors.Is(err, errLong):
		return &failure{kind: Broken, what: fmt.Sprintf("answer to %q is longer than %d bytes", q, maxLine)}
	case errors.Is(err, io.EOF):
		return &failure{kind: Broken, what: fmt.Sprintf("ask %q: the instrument closed the connection", q)}
	}
	return &failure{kind: Broken, what: fmt.Sprintf("ask %q: %s", q, cause(err))}
}

// garbledAnswer says what is wrong with the answer to query q, and what to do
// where that is known.
func garbledAnswer(q, line string, err error) *failure {
	f := &failure{kind: Garbled, what: fmt.Sprintf("garbled answer to %q", q), sample: ": " + clip(line)}
	switch {
	case errors.Is(err, ErrOneValue):
		f.what = fmt.Sprintf("%q was answered by one value, not two: set volts_query and amps_query", q)
	case errors.Is(err, ErrRefused):
		f.what = fmt.Sprintf("%q was answered by an error: set volts_query and amps_query", q)
	}
	return f
}

// cause leaves out of a network error the local port, which differs each time.
func cause(err error) string {
	var (
		dns *net.DNSError
		op  *net.OpError
	)
	switch {
	case errors.As(err, &dns) && dns.IsNotFound:
		return fmt.Sprintf("no host is named %q", dns.Name)
	case errors.As(err, &dns):
		return fmt.Sprintf("the name %q cannot be looked up now", dns.Name)
	case errors.As(err, &op):
		return op.Err.Error()
	}
	return err.Error()
}
