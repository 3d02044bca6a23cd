// Package systemd tells a service manager how the program is doing, by the
// notification protocol of systemd (sd_notify(3), sd_watchdog_enabled(3)). It
// owns the socket and the environment of that protocol and decides nothing.
package systemd

import (
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"
	"strings"
	"time"
)

// Notifier talks to the service manager. A nil one talks to nobody.
type Notifier struct {
	socket   string
	watchdog time.Duration
}

// FromEnvironment returns a Notifier for the service manager that started the
// program; nil when none did. The variables are kept out of child processes.
func FromEnvironment() (*Notifier, error) {
	n := &Notifier{socket: os.Getenv("NOTIFY_SOCKET")}
	usec, pid := os.Getenv("WATCHDOG_USEC"), os.Getenv("WATCHDOG_PID")
	err := errors.Join(os.Unsetenv("NOTIFY_SOCKET"), os.Unsetenv("WATCHDOG_USEC"), os.Unsetenv("WATCHDOG_PID"))
	if n.socket == "" || err != nil {
		return nil, err
	}
	if usec == "" || pid != "" && pid != strconv.Itoa(os.Getpid()) {
		return n, nil
	}
	us, err := strconv.ParseInt(usec, 10, 64)
	if err != nil || us <= 0 || us > int64(24*time.Hour/time.Microsecond) {
		return nil, fmt.Errorf("WATCHDOG_USEC=%q is no number of microseconds up to a day", usec)
	}
	n.watchdog = time.Duration(us) * time.Microsecond
	return n, nil
}

// Watchdog is within what time the service manager wants to be fed; 0: never.
func (n *Notifier) Watchdog() time.Duration {
	if n == nil {
		return 0
	}
	return n.watchdog
}

// Ready says that everything was started, and in a line what is done now.
func (n *Notifier) Ready(status string) error { return n.send("READY=1", "STATUS="+line(status)) }

// Stopping says that the end has begun.
func (n *Notifier) Stopping() error { return n.send("STOPPING=1") }

// Status says in a line what the program is doing.
func (n *Notifier) Status(text string) error { return n.send("STATUS=" + line(text)) }

// Feed keeps the watchdog quiet.
func (n *Notifier) Feed() error { return n.send("WATCHDOG=1") }

// line is the first line of a text: a newline would end the assignment.
func line(text string) string {
	first, _, _ := strings.Cut(text, "\n")
	return first
}

func (n *Notifier) send(assignments ...string) error {
	if n == nil {
		return nil
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: n.socket, Net: "unixgram"})
	if err != nil {
		return fmt.Errorf("tell systemd: %w", err)
	}
	_, err = conn.Write([]byte(strings.Join(assignments, "\n")))
	if err = errors.Join(err, conn.Close()); err != nil {
		return fmt.Errorf("tell systemd: %w", err)
	}
	return nil
}
