package inhibit

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/godbus/dbus/v5"
)

// systemBus is where the system's message bus listens unless the environment
// says otherwise (D-Bus Specification, "Well-known Message Bus Instances").
const systemBus = "unix:path=/run/dbus/system_bus_socket"

// locks are what is asked for, best first. A service without a session may be
// refused all but the last, and the lid everywhere but at the computer itself
// (systemd, org.freedesktop.login1.policy, from memory).
var locks = []string{"sleep:idle:handle-lid-switch", "sleep:idle", "idle"}

// Logind takes a lock of systemd-logind (systemd, "Inhibitor Locks").
func Logind(ctx context.Context, why string) (Lock, error) {
	address := os.Getenv("DBUS_SYSTEM_BUS_ADDRESS")
	if address == "" {
		address = systemBus
	}
	return logind(ctx, address, why)
}

func logind(ctx context.Context, address, why string) (_ Lock, err error) {
	conn, err := dbus.Connect(address, dbus.WithContext(ctx))
	if err != nil {
		return nil, fmt.Errorf("ask systemd-logind: %w", err)
	}
	// The lock is the descriptor: it outlives the connection.
	defer func() { err = errors.Join(err, conn.Close()) }()
	manager := conn.Object("org.freedesktop.login1", "/org/freedesktop/login1")
	for _, what := range locks {
		var fd dbus.UnixFD
		call := manager.CallWithContext(ctx, "org.freedesktop.login1.Manager.Inhibit", 0, what, "benchvigil", why, "block")
		if err = call.Store(&fd); err == nil {
			return &lock{os.NewFile(uintptr(fd), "inhibitor lock"), what}, nil
		}
	}
	return nil, fmt.Errorf("ask systemd-logind for a lock: %w", err)
}

// lock is held for as long as its descriptor is open.
type lock struct {
	fd   *os.File
	what string
}

func (l *lock) Close() error   { return l.fd.Close() }
func (l *lock) String() string { return strings.ReplaceAll(l.what, ":", ", ") }
