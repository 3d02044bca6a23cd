package supply

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"
)

// Conn is an open way to an instrument: bytes with a deadline. Every net.Conn
// is one.
type Conn interface {
	io.ReadWriteCloser
	SetDeadline(t time.Time) error
}

// Dial opens the way to an instrument. An error means "not now": it is tried
// again.
type Dial func(ctx context.Context) (Conn, error)

// transports lists the ways to an instrument by the scheme of its address. Each
// reads what follows "scheme://", refuses what can never work, and gives the
// address as it is shown.
var transports = map[string]func(where string) (address string, dial Dial, err error){
	"tcp":    openTCP,
	"serial": openSerial,
	"usbtmc": openUSBTMC,
}

// open finds the way that an address means; without a scheme it is TCP.
func open(s string) (address string, dial Dial, err error) {
	scheme, where, ok := strings.Cut(s, "://")
	if !ok {
		scheme, where = "tcp", s
	}
	transport, ok := transports[scheme]
	if !ok {
		return "", nil, fmt.Errorf("address %q: %q is not a way to reach a supply: use tcp://host:port, serial:///dev/… or usbtmc:///dev/…", s, scheme)
	}
	if address, dial, err = transport(where); err != nil {
		return "", nil, fmt.Errorf("address %q: %w", s, err)
	}
	return address, dial, nil
}
