package vmtest

import (
	"bytes"
	"encoding/binary"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// bzImage wraps a payload as the kernel's build does: boot sector and setup,
// then at payload_offset the compressed kernel and the size it unpacks to.
func bzImage(payload []byte, unpacked int) []byte {
	const setupSects, payloadOffset = 2, 100
	le := binary.LittleEndian
	b := make([]byte, (setupSects+1)*sector+payloadOffset)
	b[setupSectsAt] = setupSects
	copy(b[headerMagicAt:], "HdrS")
	le.PutUint32(b[payloadOffsetAt:], payloadOffset)
	le.PutUint32(b[payloadLengthAt:], uint32(len(payload)+4))
	b = append(b, payload...)
	b = le.AppendUint32(b, uint32(unpacked))
	return append(b, "what follows the payload"...)
}

func compressXZ(t *testing.T, b []byte) []byte {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "xz", "-c", "--check=crc32")
	cmd.Stdin = bytes.NewReader(b)
	out, err := cmd.Output()
	if err != nil {
		t.Skip("no xz: ", err)
	}
	return out
}

func TestFindKernel(t *testing.T) {
	vmlinux := []byte(strings.Repeat("kernel ", 1000))
	for _, tc := range []struct {
		name, modules string
		payload       []byte
	}{
		{"xz, as Debian 12", "lib/modules/6.1.0-1-amd64", compressXZ(t, vmlinux)},
		{"zstd, as Debian 13", "usr/lib/modules/6.1.0-1-amd64", compressZstd(t, vmlinux)},
	} {
		t.Run(tc.name, func(t *testing.T) {
			dir := t.TempDir()
			writeTree(t, dir, map[string][]byte{
				"kernel/boot/vmlinuz-6.1.0-1-amd64":             bzImage(tc.payload, len(vmlinux)),
				"kernel/" + tc.modules + "/modules.builtin":     nil,
				"kernel/boot/System.map-6.1.0-1-amd64":          nil,
				"kernel/usr/share/doc/linux-image-6.1/NEWS.txt": nil,
			})
			for range 2 { // the second time it is unpacked already
				k, err := FindKernel(t.Context(), dir)
				if err != nil {
					t.Fatal(err)
				}
				if k.Version != "6.1.0-1-amd64" || k.Modules != filepath.Join(dir, "kernel", tc.modules) {
					t.Errorf("found %+v", k)
				}
				got, err := os.ReadFile(k.Image)
				if err != nil || !bytes.Equal(got, vmlinux) {
					t.Errorf("image of %d bytes, %v; want %d", len(got), err, len(vmlinux))
				}
			}
		})
	}
}

func TestFindKernelRefuses(t *testing.T) {
	packed := compressZstd(t, []byte("kernel"))
	good := bzImage(packed, 6)
	for _, tc := range []struct {
		name    string
		corrupt func([]byte) []byte
	}{
		{"not a bzImage", func([]byte) []byte { return []byte("MZ") }},
		{"no header", func(b []byte) []byte { return bytes.Replace(b, []byte("HdrS"), []byte("XXXX"), 1) }},
		{"cut off", func(b []byte) []byte { return b[:len(b)-60] }},
		{"payload without a size", func(b []byte) []byte { b[payloadLengthAt] = 3; return b }},
		{"wrong size", func([]byte) []byte { return bzImage(packed, 7) }},
		{"flipped byte", func(b []byte) []byte {
			b[len(b)-len("what follows the payload")-5] ^= 0xff
			return b
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			dir := t.TempDir()
			writeTree(t, dir, map[string][]byte{
				"kernel/boot/vmlinuz-1":                tc.corrupt(bytes.Clone(good)),
				"kernel/lib/modules/1/modules.builtin": nil,
			})
			if k, err := FindKernel(t.Context(), dir); err == nil {
				t.Errorf("got %+v, want an error", k)
			}
			if _, err := os.Stat(filepath.Join(dir, "vmlinux-1")); err == nil {
				t.Error("a bad image was left behind")
			}
		})
	}
	if k, err := FindKernel(t.Context(), t.TempDir()); err == nil {
		t.Errorf("an empty folder gives %+v", k)
	}
}

func FuzzBzPayload(f *testing.F) {
	f.Add(bzImage([]byte("payload"), 7))
	f.Fuzz(func(t *testing.T, b []byte) {
		payload, _, err := bzPayload(b)
		if err == nil && !bytes.Contains(b, payload) {
			t.Error("the payload is not of the image")
		}
	})
}
