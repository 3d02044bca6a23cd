//go:build linux

// Desk starts the desk machine: a small Debian with an emulated bench, in which
// a person, or a program in a person's place, installs benchvigil and uses it.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"

	"golang.org/x/sys/unix"

	"benchvigil/internal/vmtest"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, unix.SIGTERM)
	err := run(ctx)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "desk:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context) (err error) {
	kernel := flag.String("kernel", ".cache/vm", "`folder` that prepare.sh made")
	disk := flag.String("disk", ".cache/desk/root.ext4", "`file` that root.sh made")
	sockets := flag.String("sockets", "", "`folder` for sockets of two consoles, instead of this terminal")
	flag.Parse()
	if flag.NArg() == 0 {
		return errors.New("which files to put into /root")
	}
	work, err := os.MkdirTemp("", "desk")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	d := vmtest.Desk{Disk: *disk, Size: terminalSize(), Folder: work, Sockets: *sockets, Files: map[string]string{}}
	if d.Kernel, err = vmtest.FindKernel(ctx, *kernel); err != nil {
		return err
	}
	for _, file := range flag.Args() {
		d.Files["root/"+filepath.Base(file)] = file
	}
	if d.Boot, err = build(ctx, work, "boot"); err != nil {
		return err
	}
	if d.Files["usr/local/bin/bench"], err = build(ctx, work, "bench"); err != nil {
		return err
	}
	return d.Run(ctx)
}

// build compiles one of the machine's programs.
func build(ctx context.Context, dir, name string) (string, error) {
	file := filepath.Join(dir, name)
	cmd := exec.CommandContext(ctx, "go", "build", "-o", file, "benchvigil/internal/vmtest/desk/"+name) //nolint:gosec // a name from above
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build %s: %w\n%s", name, err, out)
	}
	return file, nil
}

// terminalSize is this terminal's, or a roomy one for programs.
func terminalSize() string {
	size, err := unix.IoctlGetWinsize(int(os.Stdout.Fd()), unix.TIOCGWINSZ)
	if err != nil || size.Row == 0 {
		return "50x160"
	}
	return fmt.Sprintf("%dx%d", size.Row, size.Col)
}
