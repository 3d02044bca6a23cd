package vmtest

import (
	"bytes"
	"debug/elf"
	"encoding/binary"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"
)

func TestLoadOrder(t *testing.T) {
	graph := map[string][]string{
		"usb_common": nil,
		"usbcore":    {"usb-common"},
		"usbip_core": {"usbcore"},
		"vhci_hcd":   {"usbcore", "usbip-core"},
		"monitor":    {"usbcore", "nls"},
		"loop_a":     {"loop_b"},
		"loop_b":     {"loop_a"},
	}
	lookup := func(name string) ([]string, error) {
		if name == "nls" {
			return nil, errBuiltin
		}
		deps, ok := graph[name]
		if !ok {
			return nil, os.ErrNotExist
		}
		return deps, nil
	}
	for _, tc := range []struct {
		name  string
		names []string
		want  []string
		err   string
	}{
		{"dependencies first", []string{"vhci-hcd"}, []string{"usb_common", "usbcore", "usbip_core", "vhci_hcd"}, ""},
		{"each once", []string{"usbcore", "vhci_hcd", "usb-common"}, []string{"usb_common", "usbcore", "usbip_core", "vhci_hcd"}, ""},
		{"built in", []string{"monitor"}, []string{"usb_common", "usbcore", "monitor"}, ""},
		{"nothing", nil, nil, ""},
		{"missing", []string{"usbcore", "warp"}, nil, "module warp: file does not exist"},
		{"loop", []string{"loop_a"}, nil, "module loop_a depends on itself"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := loadOrder(tc.names, lookup)
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
			if (err == nil) != (tc.err == "") || err != nil && err.Error() != tc.err {
				t.Errorf("error %v, want %q", err, tc.err)
			}
		})
	}
}

func TestParseDepends(t *testing.T) {
	for _, tc := range []struct {
		info string
		want []string
	}{
		{"license=GPL\x00depends=usbcore,usbip-core\x00retpoline=Y\x00name=vhci_hcd\x00", []string{"usbcore", "usbip-core"}},
		{"license=GPL\x00depends=\x00", nil},
		{"license=GPL\x00softdep=pre: depends=not\x00", nil},
		{"", nil},
	} {
		if diff := cmp.Diff(tc.want, parseDepends([]byte(tc.info))); diff != "" {
			t.Errorf("%q (-want +got):\n%s", tc.info, diff)
		}
	}
}

// objectFile is a 64-bit relocatable ELF file with a .modinfo section, as
// little of one as debug/elf accepts.
func objectFile(t *testing.T, modinfo string) []byte {
	t.Helper()
	const names = "\x00.modinfo\x00.shstrtab\x00"
	const headerSize, sectionSize = 64, 64
	dataAt := uint64(headerSize)
	namesAt := dataAt + uint64(len(modinfo))
	sectionsAt := namesAt + uint64(len(names))
	h := elf.Header64{
		Ident: [16]byte{0x7f, 'E', 'L', 'F', byte(elf.ELFCLASS64), byte(elf.ELFDATA2LSB), byte(elf.EV_CURRENT)},
		Type:  uint16(elf.ET_REL), Machine: uint16(elf.EM_X86_64), Version: uint32(elf.EV_CURRENT),
		Shoff: sectionsAt, Ehsize: headerSize, Shentsize: sectionSize, Shnum: 3, Shstrndx: 2,
	}
	sections := []elf.Section64{
		{},
		{Name: 1, Type: uint32(elf.SHT_PROGBITS), Off: dataAt, Size: uint64(len(modinfo))},
		{Name: 10, Type: uint32(elf.SHT_STRTAB), Off: namesAt, Size: uint64(len(names))},
	}
	var b bytes.Buffer
	for _, part := range []any{h, []byte(modinfo + names), sections} {
		if err := binary.Write(&b, binary.LittleEndian, part); err != nil {
			t.Fatal(err)
		}
	}
	return b.Bytes()
}

// writeTree makes files, with the folders they are in.
func writeTree(t *testing.T, dir string, files map[string][]byte) {
	t.Helper()
	for name, data := range files {
		file := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func compressZstd(t *testing.T, b []byte) []byte {
	t.Helper()
	w, err := zstd.NewWriter(nil)
	if err != nil {
		t.Fatal(err)
	}
	return w.EncodeAll(b, nil)
}

func TestKernelModules(t *testing.T) {
	core, hcd := objectFile(t, "depends=\x00"), objectFile(t, "license=GPL\x00depends=usbcore,crc16\x00")
	dir := t.TempDir()
	writeTree(t, dir, map[string][]byte{
		"modules.builtin":                          []byte("kernel/lib/crc16.ko\nkernel/fs/x-y.ko\n"),
		"modules.order":                            []byte("not a module"),
		"kernel/drivers/usb/core/usbcore.ko":       core,
		"kernel/drivers/usb/usbip/vhci-hcd.ko.zst": compressZstd(t, hcd),
		"kernel/drivers/broken.ko":                 []byte("not ELF"),
	})
	k := Kernel{Version: "1.0", Modules: dir}
	got, err := k.modules(t.Context(), "vhci-hcd", "x_y")
	if err != nil {
		t.Fatal(err)
	}
	want := []module{{"usbcore", core}, {"vhci_hcd", hcd}}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(module{})); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
	for _, name := range []string{"broken", "warp"} {
		if _, err := k.modules(t.Context(), name); err == nil || !strings.Contains(err.Error(), "module "+name) {
			t.Errorf("module %s: got %v, want an error that names it", name, err)
		}
	}
}

func TestDependsWithoutModinfo(t *testing.T) {
	b := objectFile(t, "depends=\x00")
	b = bytes.Replace(b, []byte(".modinfo"), []byte(".nodinfo"), 1)
	if _, err := depends(b); err == nil {
		t.Error("an object without .modinfo was taken for a module")
	}
}
