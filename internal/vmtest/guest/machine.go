//go:build linux

package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"

	"benchvigil/internal/vmtest"
)

// mountAll mounts what the kernel offers and room for files.
func mountAll() error {
	for _, m := range []struct{ kind, dir string }{
		{"proc", "/proc"}, {"sysfs", "/sys"}, {"devtmpfs", "/dev"}, {"tmpfs", "/run"}, {"tmpfs", "/tmp"},
	} {
		if err := os.MkdirAll(m.dir, 0o755); err != nil {
			return err
		}
		err := unix.Mount(m.kind, m.dir, m.kind, 0, "")
		if err != nil && !errors.Is(err, unix.EBUSY) { // the kernel may have mounted /dev
			return fmt.Errorf("mount %s: %w", m.dir, err)
		}
	}
	return nil
}

// loadModules loads the modules that the host chose, in its order.
func loadModules() (int, error) {
	order, err := os.ReadFile(filepath.Join(vmtest.ModuleDir, "order"))
	if err != nil {
		return 0, err
	}
	names := strings.Fields(string(order))
	for _, name := range names {
		if err := loadModule(filepath.Join(vmtest.ModuleDir, name+".ko")); err != nil {
			return 0, fmt.Errorf("load module %s: %w", name, err)
		}
	}
	return len(names), nil
}

func loadModule(file string) error {
	f, err := os.Open(file)
	if err != nil {
		return err
	}
	defer f.Close() //nolint:errcheck // opened for reading only
	return unix.FinitModule(int(f.Fd()), "", 0)
}

// loopbackUp brings lo up, which gives it 127.0.0.1.
func loopbackUp() error {
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return fmt.Errorf("bring lo up: %w", err)
	}
	req, err := unix.NewIfreq("lo")
	if err == nil {
		req.SetUint16(unix.IFF_UP | unix.IFF_RUNNING)
		err = unix.IoctlIfreq(fd, unix.SIOCSIFFLAGS, req)
	}
	if err := errors.Join(err, unix.Close(fd)); err != nil {
		return fmt.Errorf("bring lo up: %w", err)
	}
	return nil
}

// drain waits until the terminal has sent everything.
func drain(tty *os.File) {
	if err := unix.IoctlSetInt(int(tty.Fd()), unix.TCSBRK, 1); err != nil {
		fmt.Println("guest: drain:", err)
	}
}

// powerOff ends the machine: QEMU takes a restart for the end.
func powerOff() {
	drain(os.Stdout)
	if err := unix.Reboot(unix.LINUX_REBOOT_CMD_RESTART); err != nil {
		panic(err) // PID 1 cannot go on, and its death ends the machine as well
	}
}

// attribute reads a sysfs or proc file without its white space.
func attribute(path ...string) (string, error) {
	b, err := os.ReadFile(filepath.Join(path...))
	return strings.TrimSpace(string(b)), err
}
