package supply_test

import (
	"bufio"
	"context"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/supply"
)

// tmcSocket is an invented instrument behind a USBTMC driver that is invented
// too: each opening is a new device that says whole messages without their LF.
type tmcSocket struct {
	mains
	in *invented
}

func plugUSBTMC(_ *testing.T, in *invented) socket { return &tmcSocket{in: in} }

func (s *tmcSocket) Dial(context.Context) (supply.Conn, error) {
	near, far := net.Pipe()
	s.in.visits.Add(1)
	if err := s.take(far, func() { s.in.serve(far) }); err != nil {
		_ = near.Close()
		return nil, err
	}
	return supply.OverUSBTMC(&tmcDevice{Conn: near, r: bufio.NewReader(near)}), nil
}

// tmcDevice is one opening of it.
type tmcDevice struct {
	net.Conn
	r       *bufio.Reader
	timeout time.Duration
}

func (d *tmcDevice) SetTimeout(ms uint32) error {
	d.timeout = time.Duration(ms) * time.Millisecond
	return nil
}

// Read gives one message. Only a time-out ends the wait for the rest of one.
func (d *tmcDevice) Read(p []byte) (int, error) {
	if err := d.SetDeadline(time.Now().Add(d.timeout)); err != nil {
		return 0, err
	}
	line, err := d.r.ReadString('\n')
	if err != nil {
		return 0, err
	}
	return copy(p, strings.TrimRight(line, "\r\n")), nil
}

func (d *tmcDevice) Write(p []byte) (int, error) {
	if err := d.SetDeadline(time.Now().Add(d.timeout)); err != nil {
		return 0, err
	}
	return d.Conn.Write(p)
}

// Clear drops what has come and was not read.
func (d *tmcDevice) Clear() error {
	if err := d.SetDeadline(time.Now().Add(time.Millisecond)); err != nil {
		return err
	}
	if _, err := io.Copy(io.Discard, d.r); err != nil && !os.IsTimeout(err) {
		return err
	}
	return nil
}
