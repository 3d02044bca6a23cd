package scpi

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"time"
)

// Options say what the instrument is. The zero value of a field means its
// default.
type Options struct {
	IDN       string         // answer to *IDN?; default an invented supply
	Read      func() Reading // what it shows now; required; called by several goroutines at once
	SetOutput func(on bool)  // obeys OUTP ON|OFF; default: the command is not known
	Lag       time.Duration  // how late a Slow instrument answers; default 200 ms
}

const (
	defaultIDN = "Invented Instruments,BV-1,0,1.0"
	defaultLag = 200 * time.Millisecond
	// maxLine bounds a message in bytes; what is longer is thrown away.
	maxLine = 512
	// sendTimeout bounds how long a client that does not read is waited for.
	sendTimeout = 5 * time.Second
)

// Server is a running instrument.
type Server struct {
	in   *Instrument
	lag  time.Duration
	l    net.Listener
	done chan struct{}
	wg   sync.WaitGroup

	mu      sync.Mutex
	clients map[net.Conn]struct{}
	closed  bool
}

// Listen starts an instrument on a loopback address, such as "127.0.0.1:0".
func Listen(addr string, o Options) (*Server, error) {
	in, err := NewInstrument(o)
	if err != nil {
		return nil, err
	}
	if err := checkLoopback(addr); err != nil {
		return nil, fmt.Errorf("simulate instrument: %w", err)
	}
	l, err := new(net.ListenConfig).Listen(context.Background(), "tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("simulate instrument: %w", err)
	}
	s := &Server{
		in:      in,
		lag:     cmp.Or(o.Lag, defaultLag),
		l:       l,
		done:    make(chan struct{}),
		clients: map[net.Conn]struct{}{},
	}
	s.wg.Go(s.accept)
	return s, nil
}

// checkLoopback refuses addresses that other machines could reach.
func checkLoopback(addr string) error {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return err
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return fmt.Errorf("address %q is not on loopback", addr)
	}
	return nil
}

// Addr is the host:port that it listens on.
func (s *Server) Addr() string { return s.l.Addr().String() }

// Close stops listening, closes every connection and waits until all is quiet.
// It may be called again.
func (s *Server) Close() error {
	err := s.shut()
	s.wg.Wait()
	return err
}

func (s *Server) shut() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	close(s.done)
	for c := range s.clients {
		_ = c.Close()
	}
	return s.l.Close()
}

// accept takes clients until the listener is closed.
func (s *Server) accept() {
	for {
		c, err := s.l.Accept()
		switch {
		case err == nil:
			s.admit(c)
		case errors.Is(err, net.ErrClosed):
			return
		case !s.pause(10 * time.Millisecond): // out of descriptors, say
			return
		}
	}
}

// admit serves a client, unless the server is closing or refuses.
func (s *Server) admit(c net.Conn) {
	refuse := s.in.read().Behaviour == Refusing
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed || refuse {
		_ = c.Close()
		return
	}
	s.clients[c] = struct{}{}
	s.wg.Go(func() {
		s.serve(c)
		s.mu.Lock()
		delete(s.clients, c)
		s.mu.Unlock()
		_ = c.Close()
	})
}

// serve answers one client until it leaves or is refused.
func (s *Server) serve(c net.Conn) {
	r := bufio.NewReaderSize(c, maxLine)
	for {
		message, err := s.receive(r)
		if err != nil {
			return
		}
		answer, goOn := s.respond(message)
		if !goOn {
			return
		}
		if answer == "" {
			continue
		}
		_ = c.SetWriteDeadline(time.Now().Add(sendTimeout))
		if _, err := io.WriteString(c, answer); err != nil {
			return
		}
	}
}

// respond treats one message as the instrument behaves now. What is to be sent
// has its terminator; it is empty for silence.
func (s *Server) respond(message string) (answer string, goOn bool) {
	now := s.in.read()
	if now.Behaviour == Refusing || now.Behaviour == Slow && !s.pause(s.lag) {
		return "", false
	}
	if answer = s.in.answer(message, now); answer != "" {
		answer += "\n"
	}
	return answer, true
}

// receive returns the next message without its terminator. One that is too
// long is thrown away whole and noted in the error queue.
func (s *Server) receive(r *bufio.Reader) (string, error) {
	line, err := r.ReadSlice('\n')
	if !errors.Is(err, bufio.ErrBufferFull) {
		return strings.TrimRight(string(line), "\r\n"), err
	}
	for errors.Is(err, bufio.ErrBufferFull) {
		_, err = r.ReadSlice('\n')
	}
	s.in.errors.push(inputOverrun)
	return "", err
}

// garble loses every digit of an answer, which then is neither numbers nor an
// entry of the error queue.
func garble(answer string) string {
	return strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' {
			return '?'
		}
		return r
	}, answer)
}

// pause waits for d, and reports false if the server was closed meanwhile.
func (s *Server) pause(d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-s.done:
		return false
	case <-t.C:
		return true
	}
}
