package vmtest

import (
	"bytes"
	"context"
	"debug/elf"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// module is a kernel module, decompressed.
type module struct {
	name string // with underscores, as the kernel spells it
	data []byte
}

// modules reads the named modules and all they depend on, in an order in
// which the kernel can load them. An unpacked package has no modules.dep, so
// the modules themselves are asked. What is built into the kernel is left out.
func (k Kernel) modules(ctx context.Context, names ...string) ([]module, error) {
	files, err := moduleFiles(k.Modules)
	if err != nil {
		return nil, err
	}
	builtin, err := os.ReadFile(filepath.Join(k.Modules, "modules.builtin"))
	if err != nil {
		return nil, fmt.Errorf("kernel %s: %w", k.Version, err)
	}
	data := map[string][]byte{}
	order, err := loadOrder(names, func(name string) ([]string, error) {
		file, ok := files[name]
		if !ok && hasModule(string(builtin), name) {
			return nil, errBuiltin
		}
		if data[name], err = readCompressed(ctx, file); err != nil {
			return nil, err
		}
		return depends(data[name])
	})
	if err != nil {
		return nil, fmt.Errorf("kernel %s: %w", k.Version, err)
	}
	list := make([]module, len(order))
	for i, name := range order {
		list[i] = module{name, data[name]}
	}
	return list, nil
}

// errBuiltin says that a module needs no loading.
var errBuiltin = errors.New("built into the kernel")

// loadOrder sorts names and what depends gives for each, dependencies first.
func loadOrder(names []string, depends func(name string) ([]string, error)) ([]string, error) {
	var order []string
	const visiting, done = 1, 2
	state := map[string]int{}
	var visit func(name string) error
	visit = func(name string) error {
		name = moduleName(name)
		switch state[name] {
		case visiting:
			return fmt.Errorf("module %s depends on itself", name)
		case done:
			return nil
		}
		state[name] = visiting
		deps, err := depends(name)
		switch {
		case errors.Is(err, errBuiltin):
			state[name] = done
			return nil
		case err != nil:
			return fmt.Errorf("module %s: %w", name, err)
		}
		for _, d := range deps {
			if err := visit(d); err != nil {
				return err
			}
		}
		state[name] = done
		order = append(order, name)
		return nil
	}
	for _, n := range names {
		if err := visit(n); err != nil {
			return nil, err
		}
	}
	return order, nil
}

// depends reads a module's own list of what it depends on.
func depends(ko []byte) ([]string, error) {
	f, err := elf.NewFile(bytes.NewReader(ko))
	if err != nil {
		return nil, err
	}
	s := f.Section(".modinfo")
	if s == nil {
		return nil, errors.New("no section .modinfo")
	}
	info, err := s.Data()
	if err != nil {
		return nil, fmt.Errorf(".modinfo: %w", err)
	}
	return parseDepends(info), nil
}

// parseDepends finds "depends=a,b" among the NUL-terminated strings of a
// .modinfo section.
func parseDepends(info []byte) []string {
	for kv := range strings.SplitSeq(string(info), "\x00") {
		if list, ok := strings.CutPrefix(kv, "depends="); ok && list != "" {
			return strings.Split(list, ",")
		}
	}
	return nil
}

// moduleName spells a module or file name as the kernel does: file vhci-hcd.ko
// holds module vhci_hcd.
func moduleName(file string) string {
	name, _, _ := strings.Cut(filepath.Base(file), ".ko")
	return strings.ReplaceAll(name, "-", "_")
}

// moduleFiles maps names to files below a modules folder.
func moduleFiles(dir string) (map[string]string, error) {
	files := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && isModule(path) {
			files[moduleName(path)] = path
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("look for modules: %w", err)
	}
	return files, nil
}

func isModule(file string) bool {
	return strings.HasSuffix(file, ".ko") || strings.HasSuffix(file, ".ko.xz") || strings.HasSuffix(file, ".ko.zst")
}

// hasModule looks for a name in the text of modules.builtin, a file name a
// line.
func hasModule(builtin, name string) bool {
	for line := range strings.Lines(builtin) {
		if moduleName(strings.TrimSpace(line)) == name {
			return true
		}
	}
	return false
}
