//go:build linux

// Boot is the first program of the desk machine. It loads the modules, mounts
// the disk, puts the package and the emulated bench on it and hands over to the
// system there. It must not run anywhere else.
package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"benchvigil/internal/vmtest"
)

const (
	disk       = "/dev/vda"
	root       = "/root"
	system     = "/sbin/init"
	diskWithin = 10 * time.Second
	diskPoll   = 10 * time.Millisecond
)

func main() {
	if os.Getpid() != 1 {
		fmt.Fprintln(os.Stderr, "boot: runs as PID 1 of the desk machine only")
		os.Exit(1)
	}
	fmt.Println("boot:", boot()) // it returns only when it could not hand over
	if err := unix.Reboot(unix.LINUX_REBOOT_CMD_POWER_OFF); err != nil {
		panic(err) // PID 1 cannot go on, and its death ends the machine as well
	}
}

func boot() error {
	unix.Umask(0o022)
	for _, m := range []struct{ kind, dir string }{{"devtmpfs", "/dev"}, {"sysfs", "/sys"}} {
		if err := unix.Mount(m.kind, m.dir, m.kind, 0, ""); err != nil && !errors.Is(err, unix.EBUSY) {
			return fmt.Errorf("mount %s: %w", m.dir, err)
		}
	}
	if err := loadModules(); err != nil {
		return err
	}
	if err := unbindSpares(); err != nil {
		return err
	}
	if err := mountDisk(); err != nil {
		return err
	}
	if err := os.CopyFS(root, unpacked{os.DirFS(vmtest.DeskFiles)}); err != nil {
		return fmt.Errorf("fill the disk: %w", err)
	}
	return handOver()
}

// loadModules loads the modules that the host chose, in its order.
func loadModules() error {
	order, err := os.ReadFile(filepath.Join(vmtest.ModuleDir, "order"))
	if err != nil {
		return err
	}
	for _, name := range strings.Fields(string(order)) {
		f, err := os.Open(filepath.Join(vmtest.ModuleDir, name+".ko"))
		if err != nil {
			return err
		}
		err = errors.Join(unix.FinitModule(int(f.Fd()), "", 0), f.Close())
		if err != nil {
			return fmt.Errorf("load module %s: %w", name, err)
		}
	}
	return nil
}

// unbindSpares takes away the host controllers that the bench does without:
// each costs time in every enumeration.
func unbindSpares() error {
	var errs []error
	for n := 2; n < 8; n++ {
		errs = append(errs, os.WriteFile("/sys/bus/platform/drivers/vhci_hcd/unbind", fmt.Appendf(nil, "vhci_hcd.%d", n), 0))
	}
	return errors.Join(errs...)
}

// mountDisk mounts the disk once its driver has found it.
func mountDisk() error {
	for began := time.Now(); ; time.Sleep(diskPoll) {
		err := unix.Mount(disk, root, "ext4", 0, "")
		if err == nil {
			return nil
		}
		if !errors.Is(err, unix.ENOENT) || time.Since(began) > diskWithin {
			return fmt.Errorf("mount %s: %w", disk, err)
		}
	}
}

// unpacked leaves out what is on the disk since an earlier boot: a restart
// within the machine finds the files there.
type unpacked struct{ fs.FS }

// ReadDir lists what is not there yet.
func (u unpacked) ReadDir(name string) ([]fs.DirEntry, error) {
	entries, err := fs.ReadDir(u.FS, name)
	var missing []fs.DirEntry
	for _, e := range entries {
		if _, err := os.Lstat(filepath.Join(root, name, e.Name())); err != nil || e.IsDir() {
			missing = append(missing, e)
		}
	}
	return missing, err
}

// handOver makes the disk the root and becomes its first program.
func handOver() error {
	for _, dir := range []string{"/dev", "/sys"} {
		if err := unix.Mount(dir, root+dir, "", unix.MS_MOVE, ""); err != nil {
			return fmt.Errorf("move %s: %w", dir, err)
		}
	}
	if err := os.Chdir(root); err != nil {
		return err
	}
	if err := unix.Mount(".", "/", "", unix.MS_MOVE, ""); err != nil {
		return fmt.Errorf("make %s the root: %w", root, err)
	}
	if err := unix.Chroot("."); err != nil {
		return fmt.Errorf("change the root: %w", err)
	}
	return fmt.Errorf("start %s: %w", system, unix.Exec(system, []string{system}, os.Environ()))
}
