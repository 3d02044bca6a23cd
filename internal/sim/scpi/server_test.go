package scpi_test

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"

	"benchvigil/internal/sim/scpi"
	"benchvigil/internal/unit"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// panel is what a simulated instrument shows; tests turn its knobs.
type panel struct{ v atomic.Pointer[scpi.Reading] }

func newPanel() *panel {
	p := &panel{}
	p.v.Store(&scpi.Reading{Volts: 3_801_000, Amps: 412_000, Output: true, SetVolts: 4 * unit.Volt, LimitAmps: 2 * unit.Ampere})
	return p
}

func (p *panel) read() scpi.Reading { return *p.v.Load() }

func (p *panel) turn(f func(r *scpi.Reading)) {
	r := p.read()
	f(&r)
	p.v.Store(&r)
}

func (p *panel) behave(b scpi.Behaviour) { p.turn(func(r *scpi.Reading) { r.Behaviour = b }) }

func listen(t *testing.T, o scpi.Options) *scpi.Server {
	t.Helper()
	s, err := scpi.Listen("127.0.0.1:0", o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// client is one connection to an instrument.
type client struct {
	net.Conn
	r *bufio.Reader
}

func dial(t *testing.T, s *scpi.Server) *client {
	t.Helper()
	c, err := new(net.Dialer).DialContext(t.Context(), "tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	_ = c.SetDeadline(time.Now().Add(10 * time.Second))
	return &client{c, bufio.NewReader(c)}
}

func (c *client) ask(q string) (string, error) {
	if _, err := io.WriteString(c, q+"\n"); err != nil {
		return "", err
	}
	line, err := c.r.ReadString('\n')
	return strings.TrimSuffix(line, "\n"), err
}

func (c *client) want(t *testing.T, q, want string) {
	t.Helper()
	if got, err := c.ask(q); err != nil || got != want {
		t.Errorf("%s gives %q, %v; want %q", q, got, err, want)
	}
}

func TestServer(t *testing.T) {
	p := newPanel()
	s := listen(t, scpi.Options{Read: p.read, SetOutput: func(on bool) { p.turn(func(r *scpi.Reading) { r.Output = on }) }})
	c := dial(t, s)
	c.want(t, "*IDN?", "Invented Instruments,BV-1,0,1.0")
	c.want(t, "MEAS:VOLT?;CURR?\r", "3.801000;0.412000") // CRLF
	p.turn(func(r *scpi.Reading) { r.Amps = 1_482_350 })
	c.want(t, "MEAS:CURR?", "1.482350")
	c.want(t, "OUTP OFF\nOUTP?", "0")
	if p.read().Output {
		t.Error("OUTP OFF did not switch the output off")
	}
	c.want(t, "FOO\nSYST:ERR?", `-113,"Undefined header"`)
	c.want(t, strings.Repeat("A", 5000)+"\nSYST:ERR?", `-363,"Input buffer overrun"`)
	c.want(t, "SYST:ERR?", `0,"No error"`)
}

func TestClientsShareTheErrorQueue(t *testing.T) {
	s := listen(t, scpi.Options{Read: newPanel().read})
	a, b := dial(t, s), dial(t, s)
	a.want(t, "FOO\n*IDN?", "Invented Instruments,BV-1,0,1.0")
	b.want(t, "SYST:ERR?", `-113,"Undefined header"`)
	a.want(t, "SYST:ERR?", `0,"No error"`)
}

func TestManyClients(t *testing.T) {
	s := listen(t, scpi.Options{Read: newPanel().read})
	var wg sync.WaitGroup
	for i := range 8 {
		c := dial(t, s)
		wg.Go(func() {
			q, want := "MEAS:VOLT?", "3.801000"
			if i%2 == 1 {
				q, want = "MEAS:CURR?", "0.412000"
			}
			for range 100 {
				c.want(t, q, want)
			}
		})
	}
	wg.Wait()
}

func TestGarbling(t *testing.T) {
	p := newPanel()
	s := listen(t, scpi.Options{Read: p.read})
	c := dial(t, s)
	p.behave(scpi.Garbling)
	c.want(t, "MEAS:VOLT?;CURR?", "?.??????;?.??????")
	c.want(t, "SYST:ERR?", `?,"No error"`)
	p.behave(scpi.Answering)
	c.want(t, "MEAS:VOLT?", "3.801000")
}

func TestRefusing(t *testing.T) {
	p := newPanel()
	s := listen(t, scpi.Options{Read: p.read})
	old := dial(t, s)
	old.want(t, "MEAS:VOLT?", "3.801000")
	p.behave(scpi.Refusing)
	for name, c := range map[string]*client{"old": old, "new": dial(t, s)} {
		if got, err := c.ask("MEAS:VOLT?"); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("%s connection gives %q, %v; want it closed", name, got, err)
		}
	}
	p.behave(scpi.Answering)
	dial(t, s).want(t, "MEAS:VOLT?", "3.801000")
}

// What a silent instrument was asked is never answered, not even later: the
// first answer is that to the first question after the silence.
func TestSilent(t *testing.T) {
	p := newPanel()
	seen := make(chan struct{}, 1)
	s := listen(t, scpi.Options{Read: func() scpi.Reading {
		r := p.read()
		if r.Behaviour == scpi.Silent {
			seen <- struct{}{}
		}
		return r
	}})
	c := dial(t, s)
	c.want(t, "MEAS:CURR?", "0.412000")
	p.behave(scpi.Silent)
	if _, err := io.WriteString(c, "MEAS:VOLT?\n"); err != nil {
		t.Fatal(err)
	}
	<-seen
	p.behave(scpi.Answering)
	c.want(t, "MEAS:CURR?", "0.412000")
}

// A slow answer is late, and tells of the moment it was asked for.
func TestSlow(t *testing.T) {
	p := newPanel()
	p.behave(scpi.Slow)
	s := listen(t, scpi.Options{Lag: 50 * time.Millisecond, Read: p.read})
	c := dial(t, s)
	start := time.Now()
	c.want(t, "MEAS:VOLT?", "3.801000")
	if d := time.Since(start); d < 50*time.Millisecond {
		t.Errorf("answered after %v, want 50ms at least", d)
	}
}

func TestCloseEndsEveryBehaviour(t *testing.T) {
	for _, b := range []scpi.Behaviour{scpi.Answering, scpi.Silent, scpi.Refusing, scpi.Garbling, scpi.Slow} {
		t.Run(fmt.Sprint(b), func(t *testing.T) {
			p := newPanel()
			s := listen(t, scpi.Options{Read: p.read, Lag: time.Hour})
			c := dial(t, s)
			p.behave(b)
			if _, err := io.WriteString(c, "MEAS:VOLT?\n"); err != nil {
				t.Fatal(err)
			}
			if err := s.Close(); err != nil {
				t.Error(err)
			}
			if _, err := io.Copy(io.Discard, c); errors.Is(err, os.ErrDeadlineExceeded) {
				t.Error("the connection is still open after Close")
			}
			if c, err := new(net.Dialer).DialContext(t.Context(), "tcp", s.Addr()); err == nil {
				_ = c.Close()
				t.Error("still listening after Close")
			}
		})
	}
}

func TestListenRefuses(t *testing.T) {
	read := newPanel().read
	for _, addr := range []string{"0.0.0.0:0", ":0", "[::]:0", "192.0.2.1:0", "example.org:0", "127.0.0.1", "", "127.0.0.1:99999"} {
		if s, err := scpi.Listen(addr, scpi.Options{Read: read}); err == nil {
			t.Errorf("Listen(%q) listens on %s, want an error", addr, s.Addr())
			_ = s.Close()
		}
	}
	if s, err := scpi.Listen("127.0.0.1:0", scpi.Options{}); err == nil {
		_ = s.Close()
		t.Error("Listen without readings works, want an error")
	}
}

// An instrument without a network treats messages as one with it does.
func TestAnswer(t *testing.T) {
	p := newPanel()
	in, err := scpi.NewInstrument(scpi.Options{IDN: "Invented,PSU,7,1", Read: p.read})
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		b    scpi.Behaviour
		want string
	}{
		{scpi.Answering, "Invented,PSU,7,1;3.801000"},
		{scpi.Slow, "Invented,PSU,7,1;3.801000"},
		{scpi.Silent, ""},
		{scpi.Refusing, ""},
		{scpi.Garbling, "Invented,PSU,?,?;?.??????"},
	} {
		p.behave(tc.b)
		if got := in.Answer("*IDN?;MEAS:VOLT?"); got != tc.want {
			t.Errorf("behaviour %d answers %q, want %q", tc.b, got, tc.want)
		}
	}
	p.behave(scpi.Answering)
	if got := in.Answer("NONSENSE"); got != "" {
		t.Errorf("a command is answered %q", got)
	}
	if got := in.Answer("SYST:ERR?"); got != `-113,"Undefined header"` {
		t.Errorf("and noted as %q", got)
	}
	if _, err := scpi.NewInstrument(scpi.Options{}); err == nil {
		t.Error("an instrument without readings was made")
	}
}
