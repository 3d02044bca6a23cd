package usbip

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Platform is where sysfs shows the virtual host controllers.
const Platform = "/sys/devices/platform"

// freePoll is how often a port is asked whether it is free again.
const freePoll = 2 * time.Millisecond

// Plug is a device in a port.
type Plug struct {
	*Emulator
	port   Port
	stream *os.File
	served chan error
}

// Attach plugs d into p. It returns as soon as the kernel has taken the
// device; enumeration follows. The caller must Unplug.
func Attach(d Device, p Port) (*Plug, error) {
	port, err := status(p)
	if err != nil {
		return nil, fmt.Errorf("attach %v to %+v: %w", d.ID, p, err)
	}
	ours, theirs, err := streamPair()
	if err != nil {
		return nil, fmt.Errorf("attach %v to %+v: %w", d.ID, p, err)
	}
	plug := &Plug{NewEmulator(d), p, ours, make(chan error, 1)}
	go func() { plug.served <- plug.Serve(ours) }()
	err = writeAttr("attach", attachLine(port.Number, theirs))
	err = errors.Join(err, unix.Close(theirs)) // the kernel holds its own reference by now
	if err != nil {
		err = errors.Join(err, plug.end())
		return nil, fmt.Errorf("attach %v to %+v: %w", d.ID, p, err)
	}
	return plug, nil
}

// Unplug pulls the device and returns once the port is free for another.
// Pulling it before the kernel has bound it to a driver costs seconds, because
// the kernel waits out its requests.
func (p *Plug) Unplug(ctx context.Context) error {
	if err := p.end(); err != nil {
		return fmt.Errorf("unplug %v: %w", p.device.ID, err)
	}
	return waitFree(ctx, p.port)
}

// end closes the stream and waits for the emulator.
func (p *Plug) end() error {
	closing := p.stream.Close()
	serving := <-p.served
	if pulled(serving) {
		serving = nil
	}
	return errors.Join(closing, serving)
}

// pulled reports the ways in which a stream ends by one side closing it.
func pulled(err error) bool {
	return errors.Is(err, os.ErrClosed) || errors.Is(err, unix.EPIPE) || errors.Is(err, unix.ECONNRESET)
}

// PortPath is the name by which the rest of the system knows p, such as "1-2".
func PortPath(p Port) (string, error) {
	hubs, err := filepath.Glob(filepath.Join(Platform, fmt.Sprintf("vhci_hcd.%d", p.Controller), "usb*"))
	if err != nil {
		return "", fmt.Errorf("path of %+v: %w", p, err)
	}
	for _, hub := range hubs {
		speed, err := os.ReadFile(filepath.Join(hub, "speed"))
		if err != nil {
			return "", fmt.Errorf("path of %+v: %w", p, err)
		}
		if strings.TrimSpace(string(speed)) == "480" {
			return strings.TrimPrefix(filepath.Base(hub), "usb") + "-" + strconv.Itoa(p.Index+1), nil
		}
	}
	return "", fmt.Errorf("path of %+v: no high-speed root hub", p)
}

func waitFree(ctx context.Context, p Port) error {
	tick := time.NewTicker(freePoll)
	defer tick.Stop()
	for {
		s, err := status(p)
		if err != nil {
			return fmt.Errorf("wait for port %+v: %w", p, err)
		}
		if s.State == stateFree {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("wait for port %+v in state %d: %w", p, s.State, ctx.Err())
		case <-tick.C:
		}
	}
}

// status reads p's line. Controller 0 serves the files of all controllers.
func status(p Port) (portStatus, error) {
	name := "status"
	if p.Controller > 0 {
		name = fmt.Sprintf("status.%d", p.Controller)
	}
	text, err := os.ReadFile(filepath.Join(Platform, "vhci_hcd.0", name))
	if err != nil {
		return portStatus{}, err
	}
	ports, err := parseStatus(string(text))
	if err != nil {
		return portStatus{}, err
	}
	return highSpeed(ports, p.Index)
}

func writeAttr(name, text string) error {
	return os.WriteFile(filepath.Join(Platform, "vhci_hcd.0", name), []byte(text), 0)
}

// streamPair makes the two ends of a stream. Ours does not block, so that
// closing it ends a read; the kernel's threads need theirs to block.
func streamPair() (ours *os.File, theirs int, err error) {
	fds, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return nil, 0, fmt.Errorf("socketpair: %w", err)
	}
	if err := unix.SetNonblock(fds[0], true); err != nil {
		return nil, 0, fmt.Errorf("socketpair: %w", errors.Join(err, unix.Close(fds[0]), unix.Close(fds[1])))
	}
	return os.NewFile(uintptr(fds[0]), "usbip"), fds[1], nil
}
