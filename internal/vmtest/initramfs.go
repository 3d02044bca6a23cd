package vmtest

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"strings"
)

// ModuleDir is where the guest finds its modules; the file order in it names
// them in the order of loading, one a line.
const ModuleDir = "/modules"

// libDir is a folder that the dynamic loader of every distribution searches.
const libDir = "/usr/lib"

// addModules puts the named modules of k, and all they need, into a.
func addModules(ctx context.Context, a *Archive, k Kernel, names ...string) error {
	list, err := k.modules(ctx, names...)
	if err != nil {
		return err
	}
	var order strings.Builder
	for _, m := range list {
		a.File(path.Join(ModuleDir, m.name+".ko"), 0o644, m.data)
		order.WriteString(m.name + "\n")
	}
	a.File(path.Join(ModuleDir, "order"), 0o644, []byte(order.String()))
	return nil
}

// addProgram puts a program and the shared libraries that it loads into a.
func addProgram(ctx context.Context, a *Archive, name, file string) error {
	if err := addFile(a, name, file); err != nil {
		return err
	}
	out, err := exec.CommandContext(ctx, "ldd", file).CombinedOutput()
	if err != nil && !strings.Contains(string(out), "not a dynamic executable") {
		return fmt.Errorf("ldd %s: %w: %s", file, err, out)
	}
	libs, err := parseLdd(string(out))
	if err != nil {
		return fmt.Errorf("ldd %s: %w", file, err)
	}
	for _, l := range libs {
		if err := addFile(a, l.name, l.file); err != nil {
			return err
		}
	}
	return nil
}

// addTree puts every file below dir into a, below name.
func addTree(a *Archive, name, dir string) error {
	return filepath.WalkDir(dir, func(file string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, file)
		if err != nil {
			return err
		}
		return addFile(a, path.Join(name, filepath.ToSlash(rel)), file)
	})
}

func addFile(a *Archive, name, file string) error {
	info, err := os.Stat(file)
	if err != nil {
		return fmt.Errorf("initramfs %s: %w", name, err)
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("initramfs %s: %w", name, err)
	}
	a.File(name, uint32(info.Mode().Perm()), b)
	return nil
}

// library is a file and its place in the guest.
type library struct{ name, file string }

// lddLine is "libusb-1.0.so.0 => /lib/x86_64-linux-gnu/libusb-1.0.so.0 (0x…)",
// or without an arrow for the dynamic loader, whose place is fixed.
var lddLine = regexp.MustCompile(`^\s*(?:(\S+) => )?(/\S+) \(0x`)

// parseLdd reads ldd's answer. A library goes where the loader looks for it,
// so that its folder on this machine does not matter.
func parseLdd(text string) ([]library, error) {
	var libs []library
	for line := range strings.Lines(text) {
		if strings.Contains(line, "=> not found") {
			return nil, fmt.Errorf("missing library: %s", strings.TrimSpace(line))
		}
		m := lddLine.FindStringSubmatch(line)
		switch {
		case m == nil: // the kernel's own vdso, or a static program
		case m[1] == "" || strings.HasPrefix(m[1], "/"):
			libs = append(libs, library{m[2], m[2]})
		default:
			libs = append(libs, library{path.Join(libDir, m[1]), m[2]})
		}
	}
	return libs, nil
}
