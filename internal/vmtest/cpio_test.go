package vmtest

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Layout: kernel Documentation/driver-api/early-userspace/buffer-format.rst: a
// header of 110 bytes, the name with its NUL padded to a multiple of four
// together with the header, the data padded to a multiple of four.
func TestArchiveBytes(t *testing.T) {
	a := NewArchive()
	a.File("/init", 0o755, []byte("hello"))
	var b bytes.Buffer
	n, err := a.WriteTo(&b)
	if err != nil || n != int64(b.Len()) {
		t.Fatalf("wrote %d of %d bytes, %v", n, b.Len(), err)
	}
	zero := "00000000"
	want := "070701" + "00000001" + "000081ED" + zero + zero + "00000001" + zero + "00000005" +
		zero + zero + zero + zero + "00000005" + zero + "init\x00\x00" + "hello\x00\x00\x00" +
		"070701" + zero + zero + zero + zero + "00000001" + zero + zero +
		zero + zero + zero + zero + "0000000B" + zero + "TRAILER!!!\x00\x00\x00\x00"
	if diff := cmp.Diff(want, b.String()); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

func TestArchiveTree(t *testing.T) {
	a := NewArchive()
	a.File("etc/benchvigil/config.yaml", 0o644, []byte("bench: vm\n"))
	a.File("etc/hosts", 0o600, nil)
	a.Dir("/dev")
	var names []string
	for name, e := range a.entries {
		names = append(names, fmt.Sprintf("%06o %s", e.mode, name))
	}
	want := map[string]bool{
		"040755 dev": true, "040755 etc": true, "040755 etc/benchvigil": true,
		"100644 etc/benchvigil/config.yaml": true, "100600 etc/hosts": true,
	}
	for _, n := range names {
		if !want[n] {
			t.Errorf("unexpected entry %s", n)
		}
	}
	if len(names) != len(want) {
		t.Errorf("entries %q, want %d", names, len(want))
	}
}

// The cpio tool, where there is one, must read the same files back.
func TestArchiveReadBack(t *testing.T) {
	tool, err := exec.LookPath("cpio")
	if err != nil {
		t.Skip("no cpio to read it back with")
	}
	a := NewArchive()
	for _, size := range []int{0, 1, 2, 3, 4, 5, 4096} {
		a.File(fmt.Sprintf("d/%d", size), 0o644, bytes.Repeat([]byte{'x'}, size))
	}
	var b bytes.Buffer
	if _, err := a.WriteTo(&b); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), tool, "-idm", "--quiet")
	cmd.Dir, cmd.Stdin = t.TempDir(), &b
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	for _, size := range []int{0, 1, 2, 3, 4, 5, 4096} {
		got, err := os.ReadFile(fmt.Sprintf("%s/d/%d", cmd.Dir, size))
		if err != nil || string(got) != strings.Repeat("x", size) {
			t.Errorf("file of %d bytes reads back as %d, %v", size, len(got), err)
		}
	}
}

type brokenWriter struct{}

var errBroken = errors.New("disk full")

func (brokenWriter) Write([]byte) (int, error) { return 0, errBroken }

func TestArchiveWriteError(t *testing.T) {
	if _, err := NewArchive().WriteTo(brokenWriter{}); !errors.Is(err, errBroken) {
		t.Errorf("got %v, want the writer's error", err)
	}
}
