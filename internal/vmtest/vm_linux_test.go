package vmtest

import (
	"bufio"
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"benchvigil/internal/vmtest/report"
)

// vmLimit bounds the machine's whole life, in which it also gives up by
// itself earlier.
const vmLimit = 6 * time.Minute

// guestModules are what the bench in the machine needs; what they depend on
// comes with them.
var guestModules = []string{"usbcore", "vhci-hcd", "cdc-acm", "usbtmc"}

// TestVM boots the machine and turns each of its checks into a subtest.
// BENCHVIGIL_BIN names the binary under test; without it, it is built here.
func TestVM(t *testing.T) {
	dir := os.Getenv("BENCHVIGIL_VM")
	if dir == "" {
		t.Skip("boots a virtual machine: run `make test-vm`, or prepare.sh FOLDER and set BENCHVIGIL_VM=FOLDER")
	}
	k, err := FindKernel(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	m := Machine{
		Image:     k.Image,
		Initramfs: writeInitramfs(t, k),
		Report:    filepath.Join(t.TempDir(), "report.jsonl"),
		Console:   console(t),
	}
	began := time.Now()
	ctx, cancel := context.WithTimeout(t.Context(), vmLimit)
	defer cancel()
	if err := Run(ctx, m); err != nil {
		t.Error(err)
	}
	t.Logf("kernel %s ran for %.1f s", k.Version, time.Since(began).Seconds())
	judge(t, m.Report)
}

// judge fails for every check that failed or was never reported.
func judge(t *testing.T, file string) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close() //nolint:errcheck // opened for reading only
	results, err := report.Read(f)
	if err != nil {
		t.Error(err)
	}
	for _, c := range report.Checks() {
		t.Run(string(c), func(t *testing.T) {
			i := slices.IndexFunc(results, func(r report.Result) bool { return r.Check == c })
			switch {
			case i < 0:
				t.Error("the machine ended before this check")
			case !results[i].OK:
				t.Error(results[i].Detail)
			default:
				t.Log(results[i].Detail)
			}
		})
	}
}

func writeInitramfs(t *testing.T, k Kernel) string {
	t.Helper()
	a := NewArchive()
	for _, d := range []string{"dev", "proc", "sys", "run", "tmp"} {
		a.Dir(d)
	}
	binary := os.Getenv("BENCHVIGIL_BIN")
	if binary == "" {
		binary = build(t, "benchvigil/cmd/benchvigil")
	}
	for _, err := range []error{
		addFile(a, "init", build(t, "benchvigil/internal/vmtest/guest", "CGO_ENABLED=0")),
		addProgram(t.Context(), a, "usr/bin/benchvigil", binary),
		addModules(t.Context(), a, k, guestModules...),
		addTree(a, "etc/benchvigil", "testdata"),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	file := filepath.Join(t.TempDir(), "initramfs.cpio")
	f, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	n, err := a.WriteTo(f)
	if err == nil {
		err = f.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("initramfs of %d MiB", n>>20)
	return file
}

// build compiles a command of this module.
func build(t *testing.T, pkg string, env ...string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), filepath.Base(pkg))
	cmd := exec.CommandContext(t.Context(), "go", "build", "-o", file, pkg)
	cmd.Env = append(os.Environ(), env...)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("build %s: %v\n%s", pkg, err, out)
	}
	return file
}

// console logs what the machine says, a line at a time.
func console(t *testing.T) io.Writer {
	t.Helper()
	r, w := io.Pipe()
	done := make(chan struct{})
	go func() {
		defer close(done)
		for lines := bufio.NewScanner(r); lines.Scan(); {
			t.Log("vm: " + strings.TrimRight(lines.Text(), "\r"))
		}
		_, _ = io.Copy(io.Discard, r) // a line too long must not stop the machine
	}()
	t.Cleanup(func() {
		_ = w.Close()
		<-done
	})
	return w
}
