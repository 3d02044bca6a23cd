package supply_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"testing"

	"golang.org/x/sys/unix"

	"benchvigil/internal/supply"
)

func ways() []way {
	return []way{
		{transport: "tcp", plug: plugTCP},
		{transport: "tcp", plug: plugTCP, lines: true},
		{transport: "serial", plug: plugSerial},
		{transport: "serial", plug: plugSerial, lines: true},
		{transport: "usbtmc", plug: plugUSBTMC},
	}
}

// ptySocket is an invented instrument on the far side of a pseudo-terminal,
// which is a serial port that can be made: each switching on makes a new one.
type ptySocket struct {
	mains
	t      *testing.T
	in     *invented
	device string
}

func plugSerial(t *testing.T, in *invented) socket { return &ptySocket{t: t, in: in} }

func (s *ptySocket) up() {
	s.t.Helper()
	master, device, err := openPTY()
	if err != nil {
		s.t.Fatal(err)
	}
	// Somebody has to hold the device open: else the far side ends when a poller
	// closes it.
	held, err := os.OpenFile(device, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		s.t.Fatal(errors.Join(err, master.Close()))
	}
	s.mains.up()
	s.mains.mu.Lock()
	s.device = device
	s.mains.mu.Unlock()
	serve := func() { s.in.serve(master) }
	if err := errors.Join(s.take(master, serve), s.take(held, func() {})); err != nil {
		s.t.Fatal(err)
	}
}

func (s *ptySocket) Dial(context.Context) (supply.Conn, error) {
	s.mains.mu.Lock()
	on, device := s.on, s.device
	s.mains.mu.Unlock()
	if !on {
		return nil, fmt.Errorf("open %s: %w", device, os.ErrNotExist)
	}
	c, err := supply.OpenSerial(device)
	if err == nil {
		s.in.visits.Add(1)
	}
	return c, err
}

// openPTY makes a pseudo-terminal: pts(4), ptmx(4).
func openPTY() (master *os.File, device string, err error) {
	if master, err = os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0); err != nil {
		return nil, "", err
	}
	raw, err := master.SyscallConn()
	if err != nil {
		return nil, "", errors.Join(err, master.Close())
	}
	var n int
	var failed error
	err = raw.Control(func(fd uintptr) {
		failed = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0)
		if failed == nil {
			n, failed = unix.IoctlGetInt(int(fd), unix.TIOCGPTN)
		}
	})
	if err := errors.Join(err, failed); err != nil {
		return nil, "", errors.Join(err, master.Close())
	}
	return master, fmt.Sprintf("/dev/pts/%d", n), nil
}
