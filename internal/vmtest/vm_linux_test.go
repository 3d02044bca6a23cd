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

// TestVM boots the machine and turns each of its checks into a subtest. An
// emulated machine on a busy computer is late now and then: when a check fails,
// a second machine is booted, in which all of them must pass. What failed in the
// first is said. BENCHVIGIL_BIN names the binary under test; without it, it is
// built here.
func TestVM(t *testing.T) {
	dir := os.Getenv("BENCHVIGIL_VM")
	if dir == "" {
		t.Skip("boots a virtual machine: run `make test-vm`, or prepare.sh FOLDER and set BENCHVIGIL_VM=FOLDER")
	}
	k, err := FindKernel(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	initramfs := writeInitramfs(t, k)
	results := boot(t, k, initramfs)
	if first := failed(results); len(first) > 0 {
		t.Logf("a second machine, since in the first there failed:\n%s", strings.Join(first, "\n"))
		results = boot(t, k, initramfs)
	}
	judge(t, results)
}

// boot runs the machine once and returns what its checks reported.
func boot(t *testing.T, k Kernel, initramfs string) []report.Result {
	t.Helper()
	m := Machine{
		Image:     k.Image,
		Initramfs: initramfs,
		Report:    filepath.Join(t.TempDir(), "report.jsonl"),
		Console:   console(t),
	}
	began := time.Now()
	ctx, cancel := context.WithTimeout(t.Context(), vmLimit)
	defer cancel()
	if err := Run(ctx, m); err != nil {
		t.Log(err) // the checks that are missing for it fail
	}
	t.Logf("kernel %s ran for %.1f s", k.Version, time.Since(began).Seconds())
	f, err := os.Open(m.Report)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close() //nolint:errcheck // opened for reading only
	results, err := report.Read(f)
	if err != nil {
		t.Log(err) // as above
	}
	return results
}

// verdict is what is wrong with a check, or nothing, and what it measured.
func verdict(results []report.Result, c report.Check) (wrong, measured string) {
	i := slices.IndexFunc(results, func(r report.Result) bool { return r.Check == c })
	switch {
	case i < 0:
		return "the machine ended before this check", ""
	case !results[i].OK:
		return results[i].Detail, ""
	}
	return "", results[i].Detail
}

// failed lists the checks that failed or were never reported.
func failed(results []report.Result) (list []string) {
	for _, c := range report.Checks() {
		if wrong, _ := verdict(results, c); wrong != "" {
			list = append(list, string(c)+": "+wrong)
		}
	}
	return list
}

// judge makes a subtest of every check. What failed is said again at the end,
// where it is found.
func judge(t *testing.T, results []report.Result) {
	t.Helper()
	for _, c := range report.Checks() {
		t.Run(string(c), func(t *testing.T) {
			wrong, measured := verdict(results, c)
			if wrong != "" {
				t.Error(wrong)
			}
			t.Log(measured)
		})
	}
	for _, f := range failed(results) {
		t.Error(f)
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
