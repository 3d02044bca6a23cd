package vmtest

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// As printed by glibc's ldd 2.36.
const lddText = `	linux-vdso.so.1 (0x00007ffd0b3f2000)
	libusb-1.0.so.0 => /lib/x86_64-linux-gnu/libusb-1.0.so.0 (0x00007f3c1a2b1000)
	libc.so.6 => /opt/odd/place/libc.so.6 (0x00007f3c19e00000)
	/lib64/ld-linux-x86-64.so.2 (0x00007f3c1a2f4000)
`

func TestParseLdd(t *testing.T) {
	got, err := parseLdd(lddText)
	if err != nil {
		t.Fatal(err)
	}
	want := []library{
		{"/usr/lib/libusb-1.0.so.0", "/lib/x86_64-linux-gnu/libusb-1.0.so.0"},
		{"/usr/lib/libc.so.6", "/opt/odd/place/libc.so.6"},
		{"/lib64/ld-linux-x86-64.so.2", "/lib64/ld-linux-x86-64.so.2"},
	}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(library{})); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

func TestParseLddMissing(t *testing.T) {
	_, err := parseLdd("\tlibusb-1.0.so.0 => not found\n")
	if err == nil || !strings.Contains(err.Error(), "libusb-1.0.so.0") {
		t.Errorf("got %v, want an error that names the library", err)
	}
}

func TestParseLddStatic(t *testing.T) {
	if libs, err := parseLdd("\tnot a dynamic executable\n"); len(libs) != 0 || err != nil {
		t.Errorf("got %v, %v; want nothing", libs, err)
	}
}
