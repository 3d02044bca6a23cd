package vmtest

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"runtime"
	"syscall"
)

// DeskFiles is where the desk machine's first program finds the files that it
// puts on the disk.
const DeskFiles = "/files"

// Desk is a machine in which a person, or a program in a person's place, uses
// benchvigil as it is installed: a small Debian with an emulated bench.
type Desk struct {
	Kernel  Kernel
	Disk    string            // file of its disk, which is not changed
	Boot    string            // the program that starts it, static
	Files   map[string]string // by their names in the machine: files to put on the disk
	Size    string            // of the terminal, "ROWSxCOLUMNS"
	Folder  string            // for temporary files
	Sockets string            // folder for the sockets of its two consoles; "" is this terminal and no second one
}

// deskModules are what the desk's disk and bench need.
var deskModules = []string{
	"virtio_pci", "virtio_blk", "crc32c_generic", "ext4", "autofs4",
	"usbcore", "vhci-hcd", "cdc-acm", "usbtmc", "usbserial",
}

// Run boots the desk and returns when it was switched off. When ctx ends first,
// QEMU is killed and the error says so.
func (d Desk) Run(ctx context.Context) error {
	initramfs := filepath.Join(d.Folder, "initramfs.cpio")
	if err := d.write(ctx, initramfs); err != nil {
		return err
	}
	args := append([]string{
		"-M", "q35", "-accel", "tcg,thread=multi", "-cpu", "qemu64", "-smp", "1", "-m", "1024",
		"-nodefaults", "-no-user-config", "-display", "none",
		"-kernel", d.Kernel.Image, "-initrd", initramfs, "-append", commandLine + " loglevel=1 desk.size=" + d.Size,
		"-drive", "if=none,id=disk,format=raw,snapshot=on,file=" + d.Disk, "-device", "virtio-blk-pci,drive=disk",
	}, d.consoles()...)
	cmd := exec.CommandContext(ctx, "qemu-system-x86_64", args...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = os.Stdin, os.Stdout, os.Stderr
	cmd.Env = append(os.Environ(), "TMPDIR="+d.Folder)
	cmd.WaitDelay = killDelay
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	runtime.LockOSThread() // the signal comes when the thread that started it ends
	defer runtime.UnlockOSThread()
	if err := cmd.Run(); err != nil {
		if ctx.Err() != nil {
			return fmt.Errorf("desk killed: %w", context.Cause(ctx))
		}
		return fmt.Errorf("desk: %w", err)
	}
	return nil
}

// consoles are the serial lines, each with a shell in the machine.
func (d Desk) consoles() (args []string) {
	if d.Sockets == "" {
		return []string{"-chardev", "stdio,id=one,signal=off", "-serial", "chardev:one"}
	}
	for _, id := range []string{"one", "two"} {
		file := filepath.Join(d.Sockets, id)
		args = append(args, "-chardev", fmt.Sprintf("socket,id=%s,path=%s.sock,server=on,wait=off,logfile=%s.log", id, file, file),
			"-serial", "chardev:"+id)
	}
	return args
}

// write writes the initramfs.
func (d Desk) write(ctx context.Context, file string) (err error) {
	a := NewArchive()
	for _, dir := range []string{"dev", "sys", "root"} {
		a.Dir(dir)
	}
	if err := addFile(a, "init", d.Boot); err != nil {
		return err
	}
	for name, from := range d.Files {
		if err := addFile(a, path.Join(DeskFiles, name), from); err != nil {
			return err
		}
	}
	if err := addModules(ctx, a, d.Kernel, deskModules...); err != nil {
		return err
	}
	f, err := os.Create(file)
	if err != nil {
		return err
	}
	defer func() {
		if e := f.Close(); err == nil {
			err = e
		}
	}()
	_, err = a.WriteTo(f)
	return err
}
