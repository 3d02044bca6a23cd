//go:build unix

package app

import (
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"benchvigil/internal/access"
)

// A certificate that root renews stays whose it was: the service reads it, while
// the authority's key is root's alone.
func TestRenewedCertificateKeepsItsOwner(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root gives files away")
	}
	const service = 12345
	dir := filepath.Join(t.TempDir(), "tls")
	renew := func() {
		t.Helper()
		if err := MakeCertificate(dir, []string{"bench.local"}, []net.IP{net.IPv4(127, 0, 0, 1)}, time.Now()); err != nil {
			t.Fatal(err)
		}
	}
	renew()
	for _, name := range []string{access.LeafFile, access.LeafKeyFile} {
		if err := os.Chown(filepath.Join(dir, name), service, service); err != nil {
			t.Fatal(err)
		}
	}
	renew()
	for name, want := range map[string]uint32{access.LeafFile: service, access.LeafKeyFile: service, "authority.key": 0} {
		info, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if got := ownerOf(info).Uid; got != want || info.Mode().Perm() != 0o600 {
			t.Errorf("%s belongs to %d, %v, want %d and 0600", name, got, info.Mode(), want)
		}
	}
	if info, err := os.Stat(dir); err != nil || info.Mode().Perm() != 0o711 {
		t.Errorf("the folder is %v, %v: a service could not reach its files", info.Mode(), err)
	}
	if serviceReads(dir, filepath.Join(dir, access.LeafKeyFile)) == nil {
		t.Error("a key of somebody else is taken for readable")
	}
}
