package deploy_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// builtPackage is the package under test, and the tool that reads it.
func builtPackage(t *testing.T) (deb, tool string) {
	t.Helper()
	deb = os.Getenv("BENCHVIGIL_DEB")
	if deb == "" {
		t.Skip("looks at a built package: run make test-package")
	}
	tool, err := exec.LookPath("dpkg-deb")
	if err != nil {
		t.Skip("no dpkg-deb here to read the package")
	}
	return deb, tool
}

func TestPackageHolds(t *testing.T) {
	deb, tool := builtPackage(t)
	out, err := run(t, t.Context(), tool, "--contents", deb)
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	var got []string
	for line := range strings.Lines(out) {
		f := strings.Fields(line) // mode owner size date time ./name
		if len(f) < 6 || strings.HasPrefix(f[0], "d") {
			continue
		}
		if f[1] != "root/root" {
			t.Errorf("%s belongs to %s", f[5], f[1])
		}
		if !strings.HasPrefix(f[5], "./etc/benchvigil/profiles/") {
			got = append(got, f[0]+" "+strings.TrimPrefix(f[5], "."))
		}
	}
	want := []string{
		"-rwxr-xr-x /usr/bin/benchvigil",
		"-rw-r--r-- /usr/lib/systemd/system/benchvigil.service",
		"-rw-r--r-- /usr/lib/sysusers.d/benchvigil.conf",
		"-rw-r--r-- /usr/lib/udev/rules.d/60-benchvigil.rules",
		"-rw-r--r-- /usr/share/bash-completion/completions/benchvigil",
		"-rw-r--r-- /usr/share/doc/benchvigil/README.md",
		"-rw-r--r-- /usr/share/doc/benchvigil/examples/benchvigil.yaml",
		"-rw-r--r-- /usr/share/doc/benchvigil/examples/prometheus/benchvigil.rules.yml",
		"-rw-r--r-- /usr/share/doc/benchvigil/examples/prometheus/prometheus.yml",
		"-rw-r--r-- /usr/share/doc/benchvigil/licenses.gz",
		"-rw-r--r-- /usr/share/fish/vendor_completions.d/benchvigil.fish",
		"-rw-r--r-- /usr/share/man/man1/benchvigil.1.gz",
		"-rw-r--r-- /usr/share/polkit-1/rules.d/50-benchvigil.rules",
		"-rw-r--r-- /usr/share/zsh/vendor-completions/_benchvigil",
	}
	slices.Sort(got)
	slices.Sort(want)
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

// What a person changes below /etc survives an upgrade: every shipped profile
// is a configuration file, and nothing else is.
func TestPackageConfigurationFiles(t *testing.T) {
	deb, tool := builtPackage(t)
	out, err := run(t, t.Context(), tool, "--info", deb, "conffiles")
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	profiles, err := filepath.Glob("../configs/profiles/*.yaml")
	if err != nil || len(profiles) == 0 {
		t.Fatalf("no profiles, %v", err)
	}
	var want []string
	for _, p := range profiles {
		want = append(want, "/etc/benchvigil/profiles/"+filepath.Base(p))
	}
	got := strings.Fields(out)
	slices.Sort(got)
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

func TestPackageSaysWhatItNeeds(t *testing.T) {
	deb, tool := builtPackage(t)
	out, err := run(t, t.Context(), tool, "--field", deb)
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	for _, want := range []string{"Package: benchvigil\n", "libusb-1.0-0", "Depends: libc6 (>= 2.", "Recommends: systemd (>= 250), udev, polkitd\n"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing in\n%s", want, out)
		}
	}
	if strings.Contains(out, "$") {
		t.Errorf("a variable was not filled in:\n%s", out)
	}
}

// The maintainer scripts are in the package as they are here, and a POSIX shell
// understands them.
func TestPackageScripts(t *testing.T) {
	deb, tool := builtPackage(t)
	for _, name := range []string{"postinst", "prerm", "postrm"} {
		file := filepath.Join("debian", name)
		if out, err := run(t, t.Context(), tool, "--info", deb, name); err != nil || strings.TrimSpace(out) != strings.TrimSpace(read(t, file)) {
			t.Errorf("%s in the package, %v:\n%s", name, err, out)
		}
		if out, err := run(t, t.Context(), "sh", "-n", file); err != nil {
			t.Errorf("%s: %v\n%s", name, err, out)
		}
	}
}

// The program in the package knows its version and does what the package says
// that it does.
func TestPackageProgram(t *testing.T) {
	deb, tool := builtPackage(t)
	dir := t.TempDir()
	program := filepath.Join(dir, "usr/bin/benchvigil")
	if out, err := run(t, t.Context(), tool, "--extract", deb, dir); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	version, err := run(t, t.Context(), tool, "--field", deb, "Version")
	if err != nil {
		t.Fatalf("%v: %s", err, version)
	}
	said, err := exec.CommandContext(t.Context(), program, "version").Output()
	if err != nil || !strings.HasPrefix(string(said), "benchvigil "+strings.TrimSpace(version)+",") {
		t.Errorf("the package is version %s, the program says %s, %v", version, said, err)
	}
	if !strings.Contains(read(t, "benchvigil.service"), "\nExecStart="+strings.TrimPrefix(program, dir)+" run ") {
		t.Error("the unit does not start the program of the package")
	}
	page := filepath.Join(dir, "usr/share/man/man1/benchvigil.1.gz")
	if man, err := exec.LookPath("man"); err == nil {
		out, err := run(t, t.Context(), man, "--warnings", "-l", page)
		if err != nil || strings.Contains(out, "warning:") || !strings.Contains(out, "enroll") {
			t.Errorf("the manual page, %v:\n%s", err, out)
		}
	}
}
