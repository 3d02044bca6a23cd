package vmtest

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// deskLimit bounds the desk's life; it takes a minute or two where nothing else
// wants the computer.
const deskLimit = 8 * time.Minute

// What the desk's console says, in desk/try.sh and before it.
const (
	deskPrompt = "root@desk:"
	deskWell   = "desk: all went well"
	deskFailed = "desk: went wrong at: "
)

// TestDesk installs the package in the desk machine and uses it as a technician
// does, by desk/try.sh.
func TestDesk(t *testing.T) {
	disk, deb, kernel := os.Getenv("BENCHVIGIL_DESK"), os.Getenv("BENCHVIGIL_DEB"), os.Getenv("BENCHVIGIL_VM")
	if disk == "" || deb == "" || kernel == "" {
		t.Skip("installs the package in a virtual machine: run make test-desk")
	}
	k, err := FindKernel(t.Context(), kernel)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), deskLimit)
	defer cancel()
	d := Desk{
		Kernel: k, Disk: disk, Boot: build(t, "benchvigil/internal/vmtest/desk/boot", "CGO_ENABLED=0"),
		Files: map[string]string{
			"usr/local/bin/bench":        build(t, "benchvigil/internal/vmtest/desk/bench", "CGO_ENABLED=0"),
			"root/" + filepath.Base(deb): deb,
			"root/try.sh":                "desk/try.sh",
		},
		Size: "50x160", Folder: t.TempDir(), Sockets: shortFolder(t),
	}
	ended := make(chan error, 1)
	go func() {
		ended <- d.Run(ctx)
		cancel()
	}()
	if err := useDesk(ctx, t, filepath.Join(d.Sockets, "one.sock")); err != nil {
		t.Error(err)
	}
	cancel()
	if err := <-ended; err != nil && !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// shortFolder is a folder whose name leaves room for that of a socket, which
// has 108 bytes.
func shortFolder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "desk") //nolint:usetesting // t.TempDir may be too long
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

// useDesk runs the script at the console and says how it ended.
func useDesk(ctx context.Context, t *testing.T, console string) error {
	t.Helper()
	c, err := dialConsole(ctx, console)
	if err != nil {
		return err
	}
	context.AfterFunc(ctx, func() { _ = c.Close() })
	said := bufio.NewReader(c)
	if err := readUntil(said, deskPrompt); err != nil {
		return fmt.Errorf("wait for the desk's shell: %w", err)
	}
	if _, err := io.WriteString(c, "sh try.sh\n"); err != nil {
		return err
	}
	for {
		line, err := said.ReadString('\n')
		if err != nil {
			return fmt.Errorf("the desk fell silent: %w", errors.Join(err, context.Cause(ctx)))
		}
		line = strings.TrimRight(line, "\r\n")
		t.Log(line)
		switch {
		case strings.HasSuffix(line, deskWell):
			return nil
		case strings.Contains(line, deskFailed):
			return errors.New(line)
		}
	}
}

// dialConsole waits until QEMU has made the socket.
func dialConsole(ctx context.Context, console string) (net.Conn, error) {
	for {
		c, err := (&net.Dialer{}).DialContext(ctx, "unix", console)
		if err == nil {
			return c, nil
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("connect to the desk: %w", errors.Join(err, context.Cause(ctx)))
		case <-time.After(100 * time.Millisecond):
		}
	}
}

// readUntil reads up to a text.
func readUntil(r *bufio.Reader, text string) error {
	var seen strings.Builder
	for !strings.HasSuffix(seen.String(), text) {
		b, err := r.ReadByte()
		if err != nil {
			return err
		}
		seen.WriteByte(b)
	}
	return nil
}
