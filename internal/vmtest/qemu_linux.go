package vmtest

import (
	"context"
	"fmt"
	"io"
	"os/exec"
	"runtime"
	"syscall"
	"time"
)

// Machine is what to boot.
type Machine struct {
	Image     string    // vmlinux
	Initramfs string    // file
	Report    string    // file that receives what the guest writes to ttyS1
	Console   io.Writer // receives the kernel's and the guest's words
}

// commandLine makes the kernel quiet and quick: time is spent on nothing that
// an emulated machine cannot have, and a panic ends the machine.
const commandLine = "console=ttyS0 quiet loglevel=4 panic=-1 nokaslr mitigations=off random.trust_cpu=on " +
	"no_timer_check tsc=reliable rcupdate.rcu_expedited=1 cryptomgr.notests"

// killDelay is how long QEMU may take to end after it was killed.
const killDelay = 5 * time.Second

// Run boots m and returns when it has switched itself off. When ctx ends
// first, QEMU is killed and the error says so.
func Run(ctx context.Context, m Machine) error {
	cmd := exec.CommandContext(ctx, "qemu-system-x86_64",
		"-M", "q35", "-accel", "tcg,thread=multi", "-cpu", "qemu64", "-smp", "1", "-m", "512",
		"-nodefaults", "-no-user-config", "-display", "none", "-no-reboot",
		"-kernel", m.Image, "-initrd", m.Initramfs, "-append", commandLine,
		"-chardev", "stdio,id=console,signal=off", "-serial", "chardev:console",
		"-chardev", "file,id=report,path="+m.Report, "-serial", "chardev:report")
	cmd.Stdout, cmd.Stderr = m.Console, m.Console
	cmd.WaitDelay = killDelay
	// The machine must not outlive a killed test. The signal comes when the
	// thread that started it ends, so this thread must stay with it.
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	if err := cmd.Run(); err != nil {
		if ctx.Err() != nil {
			return fmt.Errorf("virtual machine killed: %w", context.Cause(ctx))
		}
		return fmt.Errorf("virtual machine: %w", err)
	}
	return nil
}
