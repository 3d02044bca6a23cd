package vmtest

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"github.com/klauspost/compress/zstd"
)

// Kernel is an unpacked Debian kernel.
type Kernel struct {
	Version string
	Image   string // vmlinux, which QEMU boots at once: no emulated decompression
	Modules string // folder of its modules
}

// FindKernel finds the kernel that prepare.sh put below dir, and unpacks its
// image there the first time.
func FindKernel(ctx context.Context, dir string) (Kernel, error) {
	images, _ := filepath.Glob(filepath.Join(dir, "kernel/boot/vmlinuz-*"))
	modules, _ := filepath.Glob(filepath.Join(dir, "kernel/lib/modules/*"))
	merged, _ := filepath.Glob(filepath.Join(dir, "kernel/usr/lib/modules/*"))
	modules = append(modules, merged...) // where Debian 13 has them
	if len(images) != 1 || len(modules) != 1 {
		return Kernel{}, fmt.Errorf("%s/kernel has %d images and %d sets of modules, want one of each: run prepare.sh", dir, len(images), len(modules))
	}
	k := Kernel{
		Version: strings.TrimPrefix(filepath.Base(images[0]), "vmlinuz-"),
		Modules: modules[0],
	}
	k.Image = filepath.Join(dir, "vmlinux-"+k.Version)
	if _, err := os.Stat(k.Image); err == nil {
		return k, nil
	}
	return k, unpackImage(ctx, images[0], k.Image)
}

// unpackImage writes the vmlinux inside a bzImage; a torn write leaves none.
func unpackImage(ctx context.Context, from, to string) error {
	b, err := os.ReadFile(from)
	if err != nil {
		return fmt.Errorf("unpack kernel: %w", err)
	}
	payload, size, err := bzPayload(b)
	if err != nil {
		return fmt.Errorf("unpack kernel %s: %w", from, err)
	}
	out, err := decompress(ctx, payload)
	if err != nil {
		return fmt.Errorf("unpack kernel %s: %w", from, err)
	}
	if len(out) != size {
		return fmt.Errorf("unpack kernel %s: %d bytes, want %d", from, len(out), size)
	}
	if err := os.WriteFile(to+".new", out, 0o644); err != nil {
		return fmt.Errorf("unpack kernel: %w", err)
	}
	return os.Rename(to+".new", to)
}

// Offsets of the x86 boot protocol, kernel Documentation/arch/x86/boot.rst
// ("The Real-Mode Kernel Header"), version 2.08 and later.
const (
	setupSectsAt    = 0x1f1
	headerMagicAt   = 0x202
	payloadOffsetAt = 0x248
	payloadLengthAt = 0x24c
	headerEnd       = 0x250
	sector          = 512
)

// bzPayload finds the compressed kernel in a bzImage, and the size it unpacks
// to, which the kernel's build appends to the payload.
func bzPayload(b []byte) (payload []byte, size int, err error) {
	le := binary.LittleEndian
	if len(b) < headerEnd || string(b[headerMagicAt:headerMagicAt+4]) != "HdrS" {
		return nil, 0, errors.New("not a bzImage")
	}
	start := (int(b[setupSectsAt])+1)*sector + int(le.Uint32(b[payloadOffsetAt:]))
	end := start + int(le.Uint32(b[payloadLengthAt:]))
	if end > len(b) || end-start < 8 {
		return nil, 0, fmt.Errorf("bzImage of %d bytes with its payload at %d to %d", len(b), start, end)
	}
	return b[start : end-4], int(le.Uint32(b[end-4:])), nil
}

// readCompressed reads a file that may be compressed.
func readCompressed(ctx context.Context, file string) ([]byte, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	b, err = decompress(ctx, b)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	return b, nil
}

// decompress tells xz and zstd by their first bytes; anything else is taken
// as plain.
func decompress(ctx context.Context, b []byte) ([]byte, error) {
	switch {
	case bytes.HasPrefix(b, []byte("\xfd7zXZ\x00")):
		cmd := exec.CommandContext(ctx, "xz", "-dc", "--single-stream")
		cmd.Stdin = bytes.NewReader(b)
		out, err := cmd.Output()
		if err != nil {
			return nil, fmt.Errorf("xz: %w", err)
		}
		return out, nil
	case bytes.HasPrefix(b, []byte("\x28\xb5\x2f\xfd")):
		d, err := zstd.NewReader(nil)
		if err != nil {
			return nil, fmt.Errorf("zstd: %w", err)
		}
		defer d.Close()
		return d.DecodeAll(b, nil)
	}
	return b, nil
}
