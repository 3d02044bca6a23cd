package vmtest

import (
	"bufio"
	"fmt"
	"io"
	"maps"
	"path"
	"slices"
	"strings"
)

// File types in a cpio mode, as in stat(2).
const (
	typeDir     = 0o040000
	typeRegular = 0o100000
)

// Archive is a cpio archive in the new ASCII format (newc), the form in which
// the kernel takes an initramfs: kernel
// Documentation/driver-api/early-userspace/buffer-format.rst. Names are paths
// without a leading slash; a file's folders come into being with it.
type Archive struct{ entries map[string]entry }

type entry struct {
	mode uint32
	data []byte
}

// NewArchive returns an empty archive.
func NewArchive() *Archive { return &Archive{map[string]entry{}} }

// Dir adds a folder.
func (a *Archive) Dir(name string) {
	for p := path.Clean(strings.TrimPrefix(name, "/")); p != "." && p != "/"; p = path.Dir(p) {
		a.entries[p] = entry{mode: typeDir | 0o755}
	}
}

// File adds a file with permissions perm, in place of one of the same name.
func (a *Archive) File(name string, perm uint32, data []byte) {
	p := path.Clean(strings.TrimPrefix(name, "/"))
	a.Dir(path.Dir(p))
	a.entries[p] = entry{typeRegular | perm, data}
}

// WriteTo writes the archive with its entries in the order of their names, so
// that a folder precedes what is in it.
func (a *Archive) WriteTo(w io.Writer) (int64, error) {
	c := counter{w: bufio.NewWriter(w)}
	for i, name := range slices.Sorted(maps.Keys(a.entries)) {
		c.entry(i+1, name, a.entries[name])
	}
	c.entry(0, "TRAILER!!!", entry{})
	if err := c.w.Flush(); err != nil {
		return c.n, fmt.Errorf("write initramfs: %w", err)
	}
	return c.n, nil
}

// counter writes entries and counts bytes; its bufio.Writer keeps the error.
type counter struct {
	w *bufio.Writer
	n int64
}

func (c *counter) entry(inode int, name string, e entry) {
	// magic inode mode uid gid nlink mtime filesize devmajor devminor
	// rdevmajor rdevminor namesize check
	c.padded(fmt.Sprintf("070701%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%s\x00",
		inode, e.mode, 0, 0, 1, 0, len(e.data), 0, 0, 0, 0, len(name)+1, 0, name))
	c.padded(string(e.data))
}

// padded writes s and pads it to a multiple of four.
func (c *counter) padded(s string) {
	n, _ := c.w.WriteString(s)
	m, _ := c.w.WriteString("\x00\x00\x00"[:(4-len(s)%4)%4])
	c.n += int64(n + m)
}
