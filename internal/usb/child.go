package usb

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os/exec"
	"sync"
	"time"
)

// Bounds of a scan child: what it may print, and how long a killed one may
// take to go. A child in an uninterruptible system call outlives even that.
const (
	maxScan      = 1 << 20
	maxComplaint = 2 << 10
	killGrace    = time.Second
)

// ErrScanStuck says that a killed scan child has not gone yet.
var ErrScanStuck = errors.New("the last scan child was killed but still hangs")

// child runs one short-lived process at a time.
type child struct {
	exe      string
	args     []string
	deadline time.Duration

	mu   sync.Mutex
	last chan error // of the child that was started last, until it has gone
}

// ChildScan returns a scan that enumerates in a child process, because C code
// that hangs or faults must not take the watch down. The child prints what
// WriteScan writes; it is killed at the deadline, and no second one is started
// while a killed one hangs in the kernel. Devices may come together with an
// error: the list is then incomplete.
func ChildScan(exe string, args []string, deadline time.Duration) func(context.Context) ([]Device, error) {
	c := &child{exe: exe, args: args, deadline: deadline}
	return c.scan
}

func (c *child) scan(ctx context.Context) ([]Device, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.stuck() {
		return nil, ErrScanStuck
	}
	ctx, cancel := context.WithTimeout(ctx, c.deadline)
	defer cancel()
	out, complaint := &bounded{limit: maxScan}, &bounded{limit: maxComplaint}
	if err := c.wait(ctx, c.start(ctx, out, complaint)); err != nil {
		return nil, c.explain(ctx, err, complaint)
	}
	if out.over {
		return nil, fmt.Errorf("scan child printed more than %d bytes", maxScan)
	}
	return readScan(out.kept)
}

// start runs the child; its end is told on the channel.
func (c *child) start(ctx context.Context, out, complaint *bounded) <-chan error {
	cmd := exec.CommandContext(ctx, c.exe, c.args...) //nolint:gosec // our own binary, from app
	cmd.Stdout, cmd.Stderr = out, complaint
	cmd.WaitDelay = killGrace
	done := make(chan error, 1)
	c.last = done
	go func() { done <- cmd.Run() }()
	return done
}

func (c *child) wait(ctx context.Context, done <-chan error) error {
	select {
	case err := <-done:
		c.last = nil
		return err
	case <-ctx.Done():
	}
	select {
	case err := <-done:
		c.last = nil
		return errors.Join(ctx.Err(), err)
	case <-time.After(2 * killGrace):
		return ErrScanStuck
	}
}

// stuck reports that a child given up on is still there.
func (c *child) stuck() bool {
	if c.last == nil {
		return false
	}
	select {
	case <-c.last: //nolint:errcheck // what it says in the end was given up on
		c.last = nil
		return false
	default:
		return true
	}
}

func (c *child) explain(ctx context.Context, err error, complaint *bounded) error {
	switch {
	case errors.Is(err, ErrScanStuck):
		return err
	case errors.Is(ctx.Err(), context.DeadlineExceeded):
		return fmt.Errorf("scan child took longer than %v: %w", c.deadline, err)
	}
	if text := bytes.TrimSpace(complaint.kept); len(text) > 0 {
		return fmt.Errorf("scan child: %w: %s", err, text)
	}
	return fmt.Errorf("scan child: %w", err)
}

// bounded keeps what fits and notes that there was more.
type bounded struct {
	limit int
	kept  []byte
	over  bool
}

func (b *bounded) Write(p []byte) (int, error) {
	n := min(len(p), b.limit-len(b.kept))
	b.kept = append(b.kept, p[:n]...)
	b.over = b.over || n < len(p)
	return len(p), nil
}
