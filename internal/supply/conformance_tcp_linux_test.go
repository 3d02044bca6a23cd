package supply_test

import (
	"context"
	"net"
	"testing"

	"benchvigil/internal/supply"
)

// tcpSocket is an invented instrument on loopback.
type tcpSocket struct {
	mains
	t    *testing.T
	in   *invented
	addr string // once it is known it stays
}

const freeAddress = "127.0.0.1:0"

func plugTCP(t *testing.T, in *invented) socket {
	return &tcpSocket{t: t, in: in, addr: freeAddress}
}

func (s *tcpSocket) up() {
	s.t.Helper()
	l, err := net.Listen("tcp", s.addr)
	if err != nil {
		s.t.Fatal(err)
	}
	if s.addr == freeAddress {
		s.addr = l.Addr().String()
	}
	s.mains.up()
	if err := s.take(l, func() { s.accept(l) }); err != nil {
		s.t.Fatal(err)
	}
}

func (s *tcpSocket) accept(l net.Listener) {
	for {
		c, err := l.Accept()
		if err != nil {
			return
		}
		s.in.visits.Add(1)
		_ = s.take(c, func() { s.in.serve(c) })
	}
}

func (s *tcpSocket) Dial(ctx context.Context) (supply.Conn, error) {
	var d net.Dialer
	return d.DialContext(ctx, "tcp", s.addr)
}
